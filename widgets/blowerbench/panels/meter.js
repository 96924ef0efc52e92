// ------------------------------------------------------------------ instruments
// `kit` is what `render` hands to every part: model, words, root, prefix, act, intend, forms, leads, work.
function meter(kit) {
  const { words } = kit;
  const display = make("output", { class: "bp-display" });
  const dialed = make("span", { class: "bp-dialed" });
  const others = make("output", { class: "bp-others" });
  const element = make("div", { class: "bp-meter", role: "group", "aria-label": words.meter }, dialed, display, others);
  function update(scene) {
    setText(display, `${scene.display.text} ${scene.display.unit}`.trim());
    setText(dialed, scene.display.function);
    setText(others, scene.others.join("\n"));
  }
  return { element, update, listeners: [] };
}
