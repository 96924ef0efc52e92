// ------------------------------------------------------------------ cautions of the trade
// A triangle with a stroke and a dot in it, drawn here; a notice about property has none.
const TRIANGLE = { tag: "svg", attrs: { viewBox: "0 0 44 40", class: "bp-alert", "aria-hidden": "true" }, children: [
  { tag: "path", attrs: { d: "M22 3 L41 36 H3 Z", class: "bp-alertedge" } },
  { tag: "path", attrs: { d: "M22 14 V25 M22 30.5 V31", class: "bp-alertmark" } },
] };

function cautions(kit) {
  const { model, words, root, intend } = kit;
  const texts = words.caution;
  const said = make("div", { role: "alert" });
  const read = make("button", { type: "button", title: texts.keys, onclick: () => close() }, texts.read);
  const element = make("div", { class: "bp-cautions", hidden: true }, said, read);
  let waiting = false;
  function close() {
    if (!waiting) return;
    waiting = false;
    element.hidden = true;
    intend({ kind: "caution_read" });
  }
  function panel(one) {
    const part = (name, text) => make("p", {}, make("strong", {}, `${name} `), text);
    const word = make("strong", { class: "bp-signal" });
    if (one.signal !== "notice") word.append(drawn(TRIANGLE, new Map()));
    word.append(make("span", {}, texts.words[one.signal]));
    return make("div", { class: `bp-caution bp-says-${one.signal}` }, word,
      make("div", { class: "bp-cautiontext" }, make("p", {}, make("strong", {}, one.what)),
        part(texts.could, one.why), part(texts.instead, one.instead),
        make("p", { class: "bp-clause" }, `${texts.rule} ${one.clause}`)));
  }
  function update() {
    const list = model.get("cautions");
    waiting = list.length > 0;
    said.replaceChildren(...list.slice(0, 1).map((one) => make("p", {}, one.act)), ...list.map(panel));
    element.hidden = !waiting;
  }
  root.addEventListener("keydown", (event) => {
    if (event.key === "Escape") close();
  });
  update();
  return { element, listeners: [["change:cautions", update]] };
}
