// ------------------------------------------------------------------ guidance: coach, replay, undo
function guide(kit) {
  const { words, intend } = kit;
  const hints = words.hints.map((text, k) =>
    make("button", { type: "button", onclick: () => intend({ kind: "hint", strength: k + 1 }) }, text));
  const coach = make("section", { class: "bp-card", hidden: hints.length === 0, "aria-label": words.hint_title },
    make("h3", {}, words.hint_title), make("div", { class: "bp-buttons" }, ...hints));
  return { elements: [coach], update() {}, listeners: [] };
}
