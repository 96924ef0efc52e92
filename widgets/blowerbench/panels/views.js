// ------------------------------------------------------------------ the picture and its further views
// Every view is one SVG made from a tree; the names in it are the same, so the same dress fits all. One view is in the page at a time.
function view({ size, narrowest, tree, scrolls = true }) {
  const keyed = new Map();
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", `0 0 ${size[0]} ${size[1]}`);
  svg.style.minWidth = `${Math.ceil(size[0] * narrowest)}px`;
  svg.append(drawn(tree, keyed));
  const stop = (name) => (keyed.get(`t:${name}`) ?? keyed.get(name))?.element;
  function wear(dress) {
    for (const [key, worn] of Object.entries(dress)) {
      const found = keyed.get(key);
      if (!found) continue;
      const had = found.worn ?? {}; // only what is new is touched: most of a picture stays as it is
      found.worn = { ...had, ...worn };
      const fresh = (name) => name in worn && worn[name] !== had[name];
      if (fresh("class")) found.element.setAttribute("class", `${found.base} ${worn.class}`.trim());
      if (fresh("text")) setText(found.element, worn.text);
      if (fresh("transform")) found.element.setAttribute("transform", worn.transform);
      if (fresh("label")) found.element.setAttribute("aria-label", worn.label);
      if (fresh("lifts")) found.element.dataset.lifts = worn.lifts;
    }
  }
  return { svg, stop, wear, tall: scrolls && size[1] > size[0] };
}

function tabs(names, prefix, title, open) {
  const made = names.map(([name, text]) => {
    const tab = make("button", { type: "button", id: `${prefix}-tab-${name}`, role: "tab", onclick: () => open(name) }, text);
    tab.setAttribute("aria-controls", `${prefix}-view`);
    tab.dataset.view = name;
    return tab;
  });
  const element = make("div", { class: "bp-tabs", role: "tablist", "aria-label": title }, ...made);
  element.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const here = made.indexOf(event.target);
    const goes = { ArrowLeft: here - 1, ArrowRight: here + 1, Home: 0, End: made.length - 1 }[event.key];
    if (here < 0 || goes === undefined) return;
    const tab = made.at(goes % made.length);
    tab.focus();
    open(tab.dataset.view);
    event.preventDefault();
  });
  function select(name) {
    for (const tab of made) {
      const yes = tab.dataset.view === name;
      tab.setAttribute("aria-selected", String(yes));
      tab.setAttribute("tabindex", yes ? "0" : "-1");
    }
  }
  return { element, select };
}

function picture(model, words, prefix, leads, act, choose, intend) {
  const { view: size, narrowest, tree } = model.get("drawing");
  const made = new Map([["wired", view({ size, narrowest, tree, scrolls: false })]]);
  const worn = {}; // all that was ever said of the picture, for a view that is opened later
  const keys = make("p", { class: "bp-keys", id: `${prefix}-keys` }, words.keys);
  const board = make("div", { class: "bp-picture", role: "application", "aria-label": words.picture });
  board.setAttribute("aria-describedby", keys.id);
  const panel = make("div", { class: "bp-viewpanel", role: "tabpanel", id: `${prefix}-view` }, board);
  const where = make("p", { class: "bp-leadline" });
  const list = tabs(words.views, prefix, words.views_title, open);
  let opened = "";
  let current = "";
  const shown = () => made.get(opened);
  const ways = () => model.get(opened === "wired" ? "ways" : `ways_${opened}`);
  function focusable(name) {
    shown()?.stop(current)?.setAttribute("tabindex", "-1");
    current = name;
    shown()?.stop(name)?.setAttribute("tabindex", "0");
    if (name || !shown()) board.removeAttribute("tabindex");
    else board.setAttribute("tabindex", "0"); // nothing in it can be reached: it can still be scrolled
  }
  function go(name) {
    focusable(name);
    shown().stop(name).focus();
  }
  function open(name) {
    if (name === opened) return;
    opened = name;
    list.select(name);
    panel.setAttribute("aria-labelledby", `${prefix}-tab-${name}`);
    panel.dataset.view = name;
    setText(keys, name === "air" ? words.air_keys : words.keys);
    if (!made.has(name) && model.get(`tree_${name}`).tree) made.set(name, view(model.get(`tree_${name}`)));
    if (made.has(name)) lay();
    else {
      board.replaceChildren();
      intend({ kind: "view", name });
    }
  }
  function lay() {
    shown().wear(worn);
    board.classList.toggle("bp-tall", shown().tall);
    board.replaceChildren(shown().svg);
    board.scrollTop = 0;
    keep();
  }
  // the focus stays on a stop that can be reached
  function keep() {
    const table = ways();
    if (current in table) {
      focusable(current);
      return;
    }
    const had = board.contains(document.activeElement) || board.contains(board.getRootNode().activeElement);
    const first = Object.keys(table)[0] ?? "";
    if (had && first) go(first);
    else focusable(first);
  }
  function place(name) {
    focusable(name);
    leads.fields.terminal.write(name);
    act({ ...leads.fill(leads.placing), terminal: name });
  }
  const named = (element) => element.dataset.terminal ?? element.dataset.key;
  const stopOf = (event) => event.target.closest("[data-terminal], [data-thing][role=button]");
  board.addEventListener("click", (event) => {
    const terminal = event.target.closest("[data-terminal]");
    const thing = event.target.closest("[data-thing]");
    if (terminal) {
      terminal.focus();
      place(terminal.dataset.terminal);
    } else if (thing) choose(thing.dataset.thing);
  });
  board.addEventListener("keydown", (event) => {
    const stop = stopOf(event);
    if (!stop || event.ctrlKey || event.metaKey || event.altKey) return;
    const name = named(stop);
    const table = ways();
    const names = Object.keys(table);
    const arrow = ["ArrowLeft", "ArrowUp", "ArrowRight", "ArrowDown"].indexOf(event.key);
    if (arrow >= 0) go(table[name][arrow]);
    else if (event.key === "Home") go(names[0]);
    else if (event.key === "End") go(names[names.length - 1]);
    else if (event.key === "Enter" || event.key === " ") {
      if (stop.dataset.terminal) place(name);
      else {
        choose(stop.dataset.thing);
        board.closest(".blowerbench").querySelector(".bp-work select").focus();
      }
    } else if (event.key === "Delete" || event.key === "Backspace") {
      const lead = stop.dataset.lifts;
      if (lead) act({ do: "lift_lead", lead });
    } else if (event.key === "+") leads.fields.lead.write("red");
    else if (event.key === "-") leads.fields.lead.write("black");
    else return;
    event.preventDefault();
  });
  board.addEventListener("focusin", (event) => {
    const stop = stopOf(event);
    if (stop) focusable(named(stop));
  });
  function update(dress) {
    Object.assign(worn, dress);
    if (!shown()) return;
    shown().wear(dress);
    keep();
  }
  const more = () => update(model.get("view_dress"));
  const said = () => setText(where, model.get("lead_line"));
  const come = (name) => () => {
    if (!model.get(`tree_${name}`).tree) return;
    made.set(name, view(model.get(`tree_${name}`)));
    if (opened === name) lay();
  };
  const listeners = [["change:view_dress", more], ["change:lead_line", said]];
  for (const [name] of words.views) {
    if (name !== "wired") listeners.push([`change:tree_${name}`, come(name)], [`change:ways_${name}`, () => shown() && keep()]);
  }
  Object.assign(worn, model.get("view_dress"));
  open("wired");
  said();
  return { elements: [list.element, panel, where, keys], update, listeners };
}
