// The panel's page side. It draws what the model's traits say and sends intents {kind, view, seq, act}; it computes nothing.
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
  let timer = 0;
  const banner = make("p", { class: "bp-banner", hidden: true });
  banner.setAttribute("role", "alert");
  const controls = () => root.querySelectorAll("button, select, input, textarea");
  function connected(yes, text = "") {
    root.classList.toggle("bp-lost", !yes);
    for (const control of controls()) control.disabled = !yes;
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
  function send(message, seq) {
    try {
      model.send({ ...message, view, seq });
    } catch {
      clearTimeout(timer);
      connected(false, words.lost);
    }
  }
  function heard() {
    const last = model.get("acks")[view];
    if (last === undefined) return;
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
      const control = make("input", { type: "number", id, min: spec.min, max: spec.max, value: spec.value, step: 1 });
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

// ------------------------------------------------------------------ the picture
function picture(model, words, prefix, leads, act, choose) {
  const keyed = new Map();
  const { view, narrowest, tree } = model.get("drawing");
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", `0 0 ${view[0]} ${view[1]}`);
  svg.style.minWidth = `${Math.ceil(view[0] * narrowest)}px`;
  svg.append(drawn(tree, keyed));
  const keys = make("p", { class: "bp-keys", id: `${prefix}-keys` }, words.keys);
  const board = make("div", { class: "bp-picture", role: "application", "aria-label": words.picture }, svg);
  board.setAttribute("aria-describedby", keys.id);
  const of = (name) => keyed.get(`t:${name}`).element;
  let current = "";
  function focusable(name) {
    if (keyed.has(`t:${current}`)) of(current).setAttribute("tabindex", "-1");
    current = name;
    if (name) of(name).setAttribute("tabindex", "0");
  }
  function go(name) {
    focusable(name);
    of(name).focus();
  }
  function place(name) {
    focusable(name);
    leads.fields.terminal.write(name);
    act({ ...leads.fill(leads.placing), terminal: name });
  }
  board.addEventListener("click", (event) => {
    const terminal = event.target.closest("[data-terminal]");
    const thing = event.target.closest("[data-thing]");
    if (terminal) {
      terminal.focus();
      place(terminal.dataset.terminal);
    } else if (thing) choose(thing.dataset.thing);
  });
  board.addEventListener("keydown", (event) => {
    const terminal = event.target.closest("[data-terminal]");
    if (!terminal || event.ctrlKey || event.metaKey || event.altKey) return;
    const name = terminal.dataset.terminal;
    const ways = model.get("ways");
    const names = Object.keys(ways);
    const arrow = ["ArrowLeft", "ArrowUp", "ArrowRight", "ArrowDown"].indexOf(event.key);
    if (arrow >= 0) go(ways[name][arrow]);
    else if (event.key === "Home") go(names[0]);
    else if (event.key === "End") go(names[names.length - 1]);
    else if (event.key === "Enter" || event.key === " ") place(name);
    else if (event.key === "Delete" || event.key === "Backspace") {
      const lead = terminal.dataset.lifts;
      if (lead) act({ do: "lift_lead", lead });
    } else if (event.key === "+") leads.fields.lead.write("red");
    else if (event.key === "-") leads.fields.lead.write("black");
    else return;
    event.preventDefault();
  });
  board.addEventListener("focusin", (event) => {
    const terminal = event.target.closest("[data-terminal]");
    if (terminal) focusable(terminal.dataset.terminal);
  });
  function update(dress) {
    for (const [key, worn] of Object.entries(dress)) {
      const found = keyed.get(key);
      if (!found) continue;
      if ("class" in worn) found.element.setAttribute("class", `${found.base} ${worn.class}`.trim());
      if ("text" in worn) setText(found.element, worn.text);
      if ("transform" in worn) found.element.setAttribute("transform", worn.transform);
      if ("label" in worn) found.element.setAttribute("aria-label", worn.label);
      if ("lifts" in worn) found.element.dataset.lifts = worn.lifts;
    }
    const ways = model.get("ways");
    if (!(current in ways)) {
      const had = board.contains(document.activeElement) || board.contains(board.getRootNode().activeElement);
      const first = Object.keys(ways)[0] ?? "";
      if (had && first) go(first);
      else focusable(first);
    }
  }
  return { elements: [board, keys], update };
}

// ------------------------------------------------------------------ all together
function render({ model, el }) {
  const words = model.get("words");
  const root = make("div", { class: "blowerbench" });
  const prefix = `bp${Math.floor(performance.now() * 1000).toString(36)}`;
  const line = post(model, words, root);
  const act = (a) => line.intend({ kind: "act", act: a });

  // one listener keeps the notebook's own keys out: Tab, Escape and Shift+Enter still reach it, and so does any with a modifier
  root.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Tab" || event.key === "Escape" || (event.key === "Enter" && event.shiftKey)) return;
    event.stopPropagation();
  });

  const display = make("output", { class: "bp-display" });
  const dialed = make("span", { class: "bp-dialed" });
  const others = make("output", { class: "bp-others" });
  const clock = make("span", { class: "bp-clock" });
  const blower = make("span", { class: "bp-blower" });
  const sign = make("span", { class: "bp-sign", "aria-hidden": "true" });
  const said = make("p", { class: "bp-said" });
  const status = make("p", { class: "bp-hidden-text", role: "status" });
  const problem = make("p", { class: "bp-banner", role: "alert", hidden: true });
  const senses = make("ul", {});
  const log = make("ol", { tabIndex: 0, "aria-label": words.log });
  const sheet = make("section", { class: "bp-card bp-sheet", hidden: true, "aria-label": words.sheet }, make("h3", {}, words.sheet));
  const work = workbench(words, act);
  const specs = model.get("forms");
  const forms = Object.fromEntries(specs.map((s) => [s.id, form(s, `${prefix}-${s.id}`, act)]));
  const leads = { ...forms.leads, placing: specs.find((s) => s.id === "leads").buttons[0] };
  const drawing = picture(model, words, prefix, leads, act, work.choose);
  const hints = words.hints.map((text, k) =>
    make("button", { type: "button", onclick: () => line.intend({ kind: "hint", strength: k + 1 }) }, text));
  const coach = make("section", { class: "bp-card", hidden: hints.length === 0, "aria-label": words.hint_title },
    make("h3", {}, words.hint_title), make("div", { class: "bp-buttons" }, ...hints));

  root.append(
    line.banner, problem, status,
    make("header", { class: "bp-head" },
      make("div", { class: "bp-title-row" }, make("h2", {}, words.title), make("p", { class: "bp-notice" }, words.notice),
        make("p", { class: "bp-complaint" }, make("strong", {}, words.complaint_title), ` “${words.complaint}”`)),
      make("div", { class: "bp-meter", role: "group", "aria-label": words.meter }, dialed, display, others),
      make("dl", { class: "bp-state" }, make("dt", {}, words.clock), make("dd", {}, clock),
        make("dt", {}, words.blower), make("dd", {}, sign, blower)),
      said),
    make("div", { class: "bp-body" },
      make("div", { class: "bp-main" },
        make("div", { class: "bp-tools" }, work.element, forms.dial.element), ...drawing.elements,
        make("div", { class: "bp-texts" },
          make("section", { class: "bp-card", "aria-label": words.senses }, make("h3", {}, words.senses), senses),
          make("section", { class: "bp-card", "aria-label": words.log }, make("h3", {}, words.log), log))),
      make("div", { class: "bp-side" },
        ...specs.filter((s) => s.id !== "dial").map((s) => forms[s.id].element), coach)),
    sheet,
  );
  el.append(root);

  let answered = 0;
  const show = {
    things: () => work.update(model.get("things")),
    scene: () => {
      const scene = model.get("scene");
      setText(display, `${scene.display.text} ${scene.display.unit}`.trim());
      setText(dialed, scene.display.function);
      setText(others, scene.others.join("\n"));
      setText(clock, scene.clock);
      setText(blower, scene.blower.text);
      setText(sign, scene.blower.sign);
      sign.className = `bp-sign bp-${scene.blower.motion}`;
      senses.replaceChildren(...scene.senses.map((text) => make("li", {}, text)));
      root.dataset.seq = String(scene.seq);
      root.dataset.ended = String(scene.ended);
      for (const button of root.querySelectorAll("[data-state]")) {
        button.setAttribute("aria-pressed", String(scene.pressed.includes(button.dataset.state)));
      }
      drawing.update(scene.dress);
      if (scene.answer && (scene.answer !== answered || scene.sentence !== status.textContent)) {
        answered = scene.answer;
        setText(status, scene.sentence);
        setText(said, scene.sentence);
      }
    },
    notes: () => {
      log.replaceChildren(...model.get("notes").map((n) =>
        make("li", { value: n.seq }, n.done ? make("strong", {}, n.done) : "", ` ${n.text}`)));
      log.scrollTop = log.scrollHeight;
    },
    problem: () => {
      const text = model.get("problem");
      problem.hidden = text === "";
      setText(problem, text);
    },
    sheet: () => {
      const html = model.get("sheet");
      sheet.hidden = html === "";
      sheet.querySelector("iframe")?.remove();
      if (html) sheet.append(make("iframe", { sandbox: "", title: words.sheet, srcdoc: html }));
    },
    acks: line.heard,
  };
  const listeners = Object.entries(show).map(([name, f]) => [`change:${name}`, f]);
  listeners.push(["change:ways", show.scene], ["comm_live_update", line.hello]);
  for (const [event, f] of listeners) model.on(event, f);
  for (const name of ["things", "scene", "notes", "problem", "sheet"]) show[name]();
  const first = model.get("notes").at(-1);
  if (first?.done) setText(said, `${first.done} ${first.text}`);
  line.hello();
  return () => {
    for (const [event, f] of listeners) model.off(event, f);
  };
}

export default { render };
