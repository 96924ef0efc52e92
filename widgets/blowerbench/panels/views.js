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
