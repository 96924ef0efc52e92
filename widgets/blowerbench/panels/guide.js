// ------------------------------------------------------------------ guidance: coach, taking back, and a recorded call
function coaching({ model, words, intend }) {
  const texts = words.guide;
  const used = make("span", { class: "bp-used" });
  const hint = make("p", { class: "bp-hint", hidden: true });
  const hints = words.hints.map((text, k) =>
    make("button", { type: "button", "data-strength": k + 1, onclick: () => intend({ kind: "hint", strength: k + 1 }) }, text));
  const ask = make("button", { type: "button", "aria-expanded": "false", onclick: () => intend({ kind: "possible" }) }, texts.possible);
  const undo = make("button", { type: "button", onclick: () => {
    if (undo.getAttribute("aria-disabled") !== "true") intend({ kind: "undo" });
  } }, texts.undo);
  const why = make("p", { class: "bp-why", hidden: true });
  const list = make("div", { class: "bp-possible", hidden: true });
  const element = make("section", { class: "bp-card bp-guide", "aria-label": texts.title },
    make("div", { class: "bp-guide-head" }, make("h3", {}, texts.title), used),
    make("div", { class: "bp-buttons" }, ...hints), hint,
    make("div", { class: "bp-buttons" }, ask, undo), why, list);

  function update() {
    const now = model.get("guidance");
    setText(used, now.used);
    hint.hidden = !now.hint.text;
    setText(hint, now.hint.text ?? "");
    ask.hidden = !now.lists;
    const shown = Boolean(now.possible.text) && !now.possible.stale;
    setText(ask, shown ? texts.hide : texts.possible);
    ask.setAttribute("aria-expanded", String(shown));
    undo.hidden = Boolean(now.why);
    undo.setAttribute("aria-disabled", String(!now.undo));
    why.hidden = !now.why;
    setText(why, now.why);
    list.hidden = !now.possible.text;
    if (list.hidden) return;
    const bands = new Map();
    for (const row of now.possible.rows) bands.set(row.band, [...(bands.get(row.band) ?? []), row]);
    list.replaceChildren(
      make("p", { class: "bp-count" }, now.possible.text), ...(now.possible.stale ? [make("p", { class: "bp-stale" }, now.possible.stale)] : []),
      ...(bands.size ? [] : [make("p", {}, texts.nothing)]),
      ...[...bands].flatMap(([band, rows]) => [
        make("h4", {}, band),
        make("ul", {}, ...rows.map((row) => make("li", {},
          row.causes.length > 1 || row.causes[0] !== row.title
            ? make("details", {}, make("summary", {}, row.title), make("ul", {}, ...row.causes.map((c) => make("li", {}, c))))
            : row.title))),
      ]),
    );
  }
  return { element, update, trait: "guidance" };
}

function replaying({ model, words, root, intend }) {
  const texts = words.replaying;
  root.classList.add("bp-replayed");
  const go = (to) => intend({ kind: "replay", to });
  const button = (name) => make("button", { type: "button", "data-to": name, onclick: (event) => {
    if (event.currentTarget.getAttribute("aria-disabled") !== "true") go(name);
  } }, texts[name]);
  const names = ["first", "back", "forward", "end", "telling"];
  const buttons = Object.fromEntries(names.map((n) => [n, button(n)]));
  const number = make("input", { type: "number", min: 0, step: 1, "aria-label": texts.act });
  const jump = make("button", { type: "button", onclick: () => { if (Number.isInteger(number.valueAsNumber)) go(number.valueAsNumber); } }, texts.go);
  number.addEventListener("keydown", (event) => { if (event.key === "Enter") jump.click(); });
  const where = make("p", { class: "bp-where" });
  const told = make("div", { class: "bp-told" });
  const bar = make("section", { class: "bp-bar", "aria-label": texts.title },
    make("p", { class: "bp-why" }, make("strong", {}, `${texts.title}. `), texts.note),
    make("div", { class: "bp-buttons" }, ...names.map((n) => buttons[n]), make("span", { class: "bp-jump" }, number, jump)));
  const element = make("section", { class: "bp-card bp-replay", "aria-label": texts.explanation },
    make("h3", {}, texts.explanation), where, told);

  function update() {
    const now = model.get("replay");
    const off = { first: now.at === 0, back: now.at === 0, forward: now.at === now.of, end: now.at === now.of, telling: !now.telling };
    for (const n of names) buttons[n].setAttribute("aria-disabled", String(off[n]));
    number.max = String(now.of);
    if (document.activeElement !== number) number.value = String(now.at);
    setText(where, now.where);
    const table = now.fell.length === 0 ? [] : [make("table", {},
      make("caption", {}, make("strong", {}, `${texts.observed}: `), now.observed),
      make("thead", {}, make("tr", {}, make("th", { scope: "col" }, texts.causes), make("th", { scope: "col" }, texts.predicted))),
      make("tbody", {}, ...now.fell.map(([causes, predicted]) => make("tr", {}, make("td", {}, causes), make("td", {}, predicted)))))];
    told.replaceChildren(...(now.head ? [make("p", {}, make("strong", {}, now.head))] : []),
      ...now.before.map((text) => make("p", {}, text)), ...table, ...now.after.map((text) => make("p", {}, text)));
  }
  return { bar, element, update, trait: "replay" };
}

function guide(kit) {
  const parts = [];
  if (kit.words.replaying?.title) parts.push(replaying(kit));
  if (kit.words.hints.length) parts.push(coaching(kit));
  for (const part of parts) part.update();
  return {
    bars: parts.flatMap((part) => part.bar ?? []),
    elements: parts.map((part) => part.element),
    update() {},
    listeners: parts.map((part) => [`change:${part.trait}`, part.update]),
  };
}
