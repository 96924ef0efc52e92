// ------------------------------------------------------------------ instruments
// `kit` is what `render` hands to every part: model, words, root, prefix, act, intend, forms, leads, work.

const SETTLE = 90; // ms for each of a display's passing digits; decoration, never spoken

// One position of a dial is reached with the arrow keys, and the dial turned to it with Enter or Space: looking is no act.
function dial(element, spec, id) {
  const group = element.querySelector(".bp-buttons");
  const positions = [...group.children];
  group.setAttribute("role", "radiogroup");
  group.setAttribute("aria-label", spec.dial);
  positions.forEach((button, k) => {
    button.dataset.position = button.dataset.state;
    delete button.dataset.state; // a radio is checked, not pressed
    button.removeAttribute("aria-pressed");
    button.setAttribute("role", "radio");
    button.tabIndex = k === 0 ? 0 : -1;
  });
  const help = make("span", { class: "bp-hidden-text", id }, spec.dial_help);
  group.setAttribute("aria-describedby", id);
  element.title = spec.dial_help;
  element.append(help);
  element.classList.add("bp-dial");
  group.addEventListener("keydown", (event) => {
    const now = positions.indexOf(event.target);
    const last = positions.length - 1;
    const next = { ArrowRight: now + 1, ArrowDown: now + 1, ArrowLeft: now - 1, ArrowUp: now - 1, Home: 0, End: last }[event.key];
    if (now < 0 || next === undefined) return;
    event.preventDefault();
    positions.at(next > last ? 0 : next).focus();
  });
  group.addEventListener("focusin", (event) => positions.forEach((b) => { b.tabIndex = b === event.target ? 0 : -1; }));
  return (pressed) => {
    positions.forEach((button, k) => {
      const here = pressed.includes(button.dataset.position);
      button.setAttribute("aria-checked", String(here));
      if (here) group.style.setProperty("--bp-turn", `${spec.positions[k]}deg`);
      if (!group.contains(group.getRootNode().activeElement)) button.tabIndex = here ? 0 : -1;
    });
  };
}

// The tone of a meter on ohms. Nothing sounds until somebody asks for it, and the words say the same.
function tone() {
  let context = null;
  let voice = null;
  return (on) => {
    voice?.stop();
    voice = null;
    if (!on) return;
    const Sound = window.AudioContext ?? window.webkitAudioContext;
    if (!Sound) return;
    context ??= new Sound();
    voice = context.createOscillator();
    const loudness = context.createGain();
    loudness.gain.value = 0.05;
    voice.frequency.value = 2200;
    voice.connect(loudness).connect(context.destination);
    voice.start();
    voice.stop(context.currentTime + 0.6);
  };
}

function meter(kit) {
  const { model, words, forms, intend } = kit;
  const texts = words.instruments;
  const display = make("output", { class: "bp-display", "aria-live": "off" });
  const passing = make("span", { class: "bp-passing", "aria-hidden": "true" });
  const dialed = make("span", { class: "bp-dialed" });
  const others = make("output", { class: "bp-others", "aria-live": "off" });
  const kept = make("div", { class: "bp-kept" });
  const element = make("div", { class: "bp-meter", role: "group", "aria-label": words.meter }, dialed,
    make("div", { class: "bp-digits" }, display, passing), kept, others);

  const turned = dial(forms.dial.element, texts, `${kit.prefix}-dialhelp`);
  const keep = (what) => intend({ kind: "keep", do: what });
  const hold = make("button", { type: "button", onclick: () => keep(model.get("meter").held ? "release" : "hold") });
  const extremes = make("button", { type: "button", onclick: () => keep(model.get("meter").keeps ? "stop" : "extremes") });
  const reset = make("button", { type: "button", onclick: () => keep("reset") }, texts.reset);
  const sound = make("input", { type: "checkbox" });
  const sounds = make("label", { class: "bp-choice bp-tone" }, sound, make("span", {}, texts.sound));
  const inHand = make("div", { class: "bp-inhand" }, forms.leads.fields.lead.element, forms.leads.fields.clip.element);
  inHand.dataset.form = "leads"; // the leads' form goes on beside the picture; what is needed for every probe is here
  const state = make("ul", { class: "bp-leadstate" });
  const gauges = make("div", { class: "bp-gauges" });
  const card = make("section", { class: "bp-card bp-instruments", "aria-label": texts.title },
    make("h3", {}, texts.title), forms.dial.element, inHand,
    make("div", { class: "bp-buttons bp-keeping" }, hold, extremes, reset, sounds), state, gauges);

  const beep = tone();
  let timers = [];
  function settle(steps, unit) {
    timers.forEach(clearTimeout);
    timers = [];
    const done = () => { element.classList.remove("bp-settling"); setText(passing, ""); };
    if (!steps.length || matchMedia("(prefers-reduced-motion: reduce)").matches) {
      done();
      return;
    }
    element.classList.add("bp-settling");
    setText(passing, `${steps[0]} ${unit}`);
    steps.slice(1).forEach((text, k) => timers.push(setTimeout(() => setText(passing, `${text} ${unit}`), SETTLE * (k + 1))));
    timers.push(setTimeout(done, SETTLE * steps.length));
  }
  const lines = (list) => list.map((text) => make("span", {}, text));
  function gauge(one) {
    return make("div", { class: "bp-gauge", role: "group", "aria-label": one.title },
      make("span", { class: "bp-dialed" }, one.title), make("span", { class: "bp-gaugedigits" }, `${one.text} ${one.unit}`.trim()),
      make("span", { class: "bp-places" }, one.places.join("\n")));
  }
  let shown = null;
  function measured() {
    const now = model.get("meter");
    if (now === shown) return;
    const again = shown?.seq === now.seq; // a look at the same act sounds no second time
    shown = now;
    settle(now.steps, now.unit);
    kept.replaceChildren(...lines([now.held, ...now.extremes, now.tone_text].filter((text) => text !== "")));
    setText(hold, now.held ? texts.release : texts.hold);
    setText(extremes, now.keeps ? texts.stop : texts.extremes);
    reset.hidden = !now.keeps;
    state.replaceChildren(...now.leads.map((text) => make("li", {}, text)));
    gauges.replaceChildren(...now.gauges.map(gauge));
    if (!again) beep(sound.checked && now.tone === "on");
  }
  function update(scene) {
    setText(display, `${scene.display.text} ${scene.display.unit}`.trim());
    setText(dialed, scene.display.function);
    setText(others, scene.others.join("; "));
    turned(scene.pressed);
  }
  const strip = chart(kit);
  const until = form(words.until, `${kit.prefix}-until`, (values) => intend(values));
  until.element.addEventListener("change", () => {
    const change = until.fields.when.read() === "change";
    for (const name of ["reading", "value"]) until.fields[name].element.hidden = change;
  });
  measured();
  const listeners = [["change:meter", measured], ...strip.listeners];
  return { element, card, until: until.element, strip: strip.element, update, listeners };
}

// ------------------------------------------------------------------ the strip chart
function chart(kit) {
  const { model, words, intend, prefix } = kit;
  const texts = words.strip;
  const select = make("select", { id: `${prefix}-strip` });
  const place = make("div", { class: "bp-plotplace" });
  const says = make("p", { class: "bp-says" });
  const rows = make("tbody");
  const head = make("tr", {}, make("th", { scope: "col" }, texts.clock), make("th", { scope: "col" }, texts.reading));
  const table = make("details", {}, make("summary", {}, texts.table),
    make("div", { class: "bp-rows", tabIndex: 0, role: "region", "aria-label": texts.table },
      make("table", {}, make("thead", {}, head), rows)));
  const clear = make("button", { type: "button", onclick: () => intend({ kind: "chart", clear: true }) }, texts.clear);
  select.addEventListener("change", () => intend({ kind: "chart", of: select.value }));
  const element = make("section", { class: "bp-card bp-strip", "aria-label": texts.title }, make("h3", {}, texts.title),
    place, make("div", { class: "bp-beside" }, make("label", { class: "bp-field" }, make("span", {}, texts.of), select), says, table,
      make("div", { class: "bp-buttons" }, clear)));
  let shown = null;
  function update() {
    const now = model.get("chart");
    if (now === shown) return;
    shown = now;
    const options = [{ value: "", label: texts.latest }, ...now.options];
    select.replaceChildren(...options.map((o) => make("option", { value: o.value, selected: o.value === now.chosen }, o.label)));
    place.replaceChildren(...(now.tree ? [drawn(now.tree, new Map())] : []));
    setText(says, now.says);
    rows.replaceChildren(...now.rows.map((row) => make("tr", {}, ...row.map((text) => make("td", {}, text)))));
  }
  update();
  return { element, listeners: [["change:chart", update]] };
}
