// The panel's page side: what its other files build on. It draws what the model's traits say and sends intents {kind, view, seq, act}; it computes nothing.
// `model` needs get, on, off and send only, so the same file serves a notebook and a plain page.

const SVG = "http://www.w3.org/2000/svg";
const PATIENCE = 3000; // ms without an answer before the page says so
const TRUST = 12000; // ms more in which a bench that answered before may be busy; a restarted kernel never answers

function make(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name === "class") element.className = value;
    else if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name in element && name !== "list") element[name] = value;
    else element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function drawn(node, keyed) {
  const element = document.createElementNS(SVG, node.tag);
  for (const [name, value] of Object.entries(node.attrs)) element.setAttribute(name, value);
  if (node.text) element.textContent = node.text;
  for (const child of node.children ?? []) element.append(drawn(child, keyed));
  const key = node.attrs["data-key"];
  if (key) keyed.set(key, { element, base: node.attrs.class ?? "" });
  return element;
}

// ------------------------------------------------------------------ messages
function post(model, words, root) {
  const view = Array.from(crypto.getRandomValues(new Uint32Array(2)), (n) => n.toString(36)).join("");
  let sent = 0;
  let acked = 0;
  let timer = 0;
  const banner = make("p", { class: "bp-banner", hidden: true });
  banner.setAttribute("role", "alert");
  const controls = () => root.querySelectorAll("button, select, input, textarea");
  let held = null; // what had the focus when the controls went out of use: a disabled control loses it
  function connected(yes, text = "") {
    const at = root.getRootNode().activeElement;
    if (!yes && root.contains(at)) held = at;
    root.classList.toggle("bp-lost", !yes);
    for (const control of controls()) control.disabled = !yes;
    if (yes && held) {
      if (held.isConnected && (!at || at === document.body)) held.focus();
      held = null;
    }
    banner.hidden = text === "";
    setText(banner, text);
  }
  function expect(text, lost) {
    clearTimeout(timer);
    timer = setTimeout(() => {
      connected(!lost, text);
      if (!lost) timer = setTimeout(() => connected(false, words.lost), TRUST);
    }, PATIENCE);
  }
  // A server that gathers small packets holds the answer back until this side has acknowledged the word that the kernel is busy,
  // which a browser does only 40 ms later unless it has something to say. A second hello says it, and asks for nothing.
  function hurry(seq) {
    let once = true;
    return { iopub: { status: (message) => {
      if (once && message.content.execution_state === "busy" && seq === sent && seq > acked) send({ kind: "hello" }, 0);
      once = false;
    } } };
  }
  function send(message, seq) {
    try {
      if (seq) model.send({ ...message, view, seq }, hurry(seq));
      else model.send({ ...message, view, seq });
    } catch {
      clearTimeout(timer);
      connected(false, words.lost);
    }
  }
  function heard() {
    const last = model.get("acks")[view];
    if (last === undefined) return;
    acked = last;
    clearTimeout(timer);
    root.dataset.ack = String(last);
    connected(true);
    if (last < sent) expect(words.waiting, false);
  }
  function hello() {
    expect(words.lost, true);
    send({ kind: "hello" }, 0);
  }
  function intend(message) {
    if (root.classList.contains("bp-lost")) return;
    sent += 1;
    root.dataset.sent = String(sent);
    expect(words.waiting, false);
    send(message, sent);
  }
  return { banner, hello, heard, intend };
}

// ------------------------------------------------------------------ forms
function field(spec, prefix) {
  const id = `${prefix}-${spec.name}`;
  const label = (control) => make("label", { class: "bp-field" }, make("span", {}, spec.label), control);
  const options = (select) => {
    const groups = new Map();
    for (const option of spec.options) {
      let parent = select;
      if (option.group) {
        if (!groups.has(option.group)) groups.set(option.group, select.appendChild(make("optgroup", { label: option.group })));
        parent = groups.get(option.group);
      }
      parent.append(make("option", { value: option.value }, option.label));
    }
    return select;
  };
  const several = (type) => {
    const inputs = spec.options.map((o) => make("input", { type, name: id, value: o.value, checked: o.value === spec.value }));
    const rows = spec.options.map((o, k) => make("label", { class: "bp-choice" }, inputs[k], make("span", {}, o.label)));
    return { inputs, element: make("fieldset", { class: `bp-${type}s` }, make("legend", {}, spec.label), ...rows) };
  };
  switch (spec.kind) {
    case "select": {
      const control = options(make("select", { id }));
      return { element: label(control), read: () => control.value, write: (v) => { control.value = v; } };
    }
    case "radio": {
      const { inputs, element } = several("radio");
      return { element, read: () => inputs.find((i) => i.checked).value, write: (v) => inputs.forEach((i) => { i.checked = i.value === v; }) };
    }
    case "checks": {
      const { inputs, element } = several("checkbox");
      return { element, read: () => inputs.filter((i) => i.checked).map((i) => i.value) };
    }
    case "flag": {
      const control = make("input", { type: "checkbox", id });
      return { element: make("label", { class: "bp-choice" }, control, make("span", {}, spec.label)), read: () => control.checked };
    }
    case "number": {
      const control = make("input", { type: "number", id, min: spec.min, max: spec.max, value: spec.value, step: spec.step ?? 1 });
      return { element: label(control), read: () => control.valueAsNumber };
    }
    case "lines": {
      const control = make("textarea", { id, rows: 5 });
      return { element: label(control), read: () => control.value.split("\n").filter((line) => line.trim() !== "") };
    }
    default: {
      const control = make("input", { type: "text", id });
      return { element: label(control), read: () => control.value };
    }
  }
}

function form(spec, prefix, act) {
  const made = Object.fromEntries(spec.fields.map((f) => [f.name, field(f, prefix)]));
  const fill = (button) => ({ ...button.act, ...Object.fromEntries((button.fields ?? []).map((n) => [n, made[n].read()])) });
  const buttons = spec.buttons.map((b) => {
    const button = make("button", { type: "button", onclick: () => act(fill(b)) }, b.label);
    if (b.state) {
      button.dataset.state = b.state;
      button.setAttribute("aria-pressed", "false");
    }
    return button;
  });
  const inside = [...Object.values(made).map((f) => f.element), make("div", { class: "bp-buttons" }, ...buttons)];
  const element = spec.closed
    ? make("details", { class: "bp-card" }, make("summary", {}, spec.title), ...inside)
    : make("section", { class: "bp-card" }, make("h3", {}, spec.title), ...inside);
  element.setAttribute("aria-label", spec.title);
  element.dataset.form = spec.id;
  return { element, fields: made, fill };
}

// ------------------------------------------------------------------ what to work on
function workbench(words, act) {
  const select = make("select", { "aria-label": words.work });
  const does = make("div", { class: "bp-buttons", "data-does": "" });
  let things = [];
  function show() {
    const chosen = things.find((x) => x.id === select.value) ?? things[0];
    chosen.does.forEach((d, k) => {
      const button = does.children[k] ?? does.appendChild(make("button", { type: "button" }));
      setText(button, d.label);
      button.onclick = () => act(d.act);
    });
    while (does.children.length > chosen.does.length) does.lastChild.remove();
  }
  function update(list) {
    things = list;
    if (select.options.length !== list.length) {
      select.replaceChildren();
      const groups = new Map();
      for (const x of list) {
        if (!groups.has(x.group)) groups.set(x.group, select.appendChild(make("optgroup", { label: x.group })));
        groups.get(x.group).append(make("option", { value: x.id }));
      }
    }
    for (const option of select.options) {
      const x = list.find((y) => y.id === option.value);
      setText(option, x.state ? `${x.name}: ${x.state}` : x.name);
    }
    show();
  }
  select.addEventListener("change", show);
  const choose = (id) => { select.value = id; show(); };
  const element = make("section", { class: "bp-card bp-work", "aria-label": words.work }, make("h3", {}, words.work), select, does);
  return { element, update, choose };
}
