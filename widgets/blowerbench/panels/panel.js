// ------------------------------------------------------------------ all together
function render({ model, el }) {
  const words = model.get("words");
  const root = make("div", { class: "blowerbench", lang: words.language });
  const prefix = `bp${Math.floor(performance.now() * 1000).toString(36)}`;
  const line = post(model, words, root);
  const act = (a) => line.intend({ kind: "act", act: a });

  // The notebook's own keys stay out: Tab, Escape and Shift+Enter still reach it, and so does any with a modifier. Where a notebook
  // listens after the page (JupyterLab), stopping the key is enough; where it listens before (Notebook), it heeds a mark on the target.
  const ours = (event) => !(event.ctrlKey || event.metaKey || event.altKey || event.key === "Tab" || event.key === "Escape"
    || (event.key === "Enter" && event.shiftKey));
  root.addEventListener("keydown", (event) => { if (ours(event)) event.stopPropagation(); });
  const mark = (event) => {
    if (event.composedPath().includes(root)) event.target.toggleAttribute("data-lm-suppress-shortcuts", ours(event));
  };
  window.addEventListener("keydown", mark, true);

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
  const drawing = picture(model, words, prefix, leads, act, work.choose, line.intend);
  const kit = { model, words, root, prefix, act, intend: line.intend, forms, leads, work };
  const instruments = meter(kit);
  const warned = cautions(kit);
  const help = guide(kit);

  root.append(
    line.banner, problem, status,
    make("header", { class: "bp-head" },
      make("div", { class: "bp-title-row" }, make("h2", {}, words.title), make("p", { class: "bp-notice" }, words.notice),
        make("p", { class: "bp-complaint" }, make("strong", {}, words.complaint_title), ` “${words.complaint}”`)),
      instruments.element,
      make("dl", { class: "bp-state" }, make("dt", {}, words.clock), make("dd", {}, clock),
        make("dt", {}, words.blower), make("dd", {}, sign, blower)),
      said, warned.element),
    ...help.bars,
    make("div", { class: "bp-body" },
      instruments.card,
      make("div", { class: "bp-main" },
        make("div", { class: "bp-tools" }, work.element), ...drawing.elements, instruments.strip,
        make("div", { class: "bp-texts" },
          make("section", { class: "bp-card", "aria-label": words.senses }, make("h3", {}, words.senses), senses),
          make("section", { class: "bp-card", "aria-label": words.log }, make("h3", {}, words.log), log))),
      make("div", { class: "bp-side" }, ...help.elements,
        ...specs.filter((s) => s.id !== "dial").flatMap((s) => [forms[s.id].element, ...(s.id === "wait" ? [instruments.until] : [])]))),
    sheet,
  );
  el.append(root);

  let answered = 0;
  const show = {
    things: () => work.update(model.get("things")),
    scene: () => {
      const scene = model.get("scene");
      instruments.update(scene);
      help.update(scene);
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
      // no script runs in there; of the same origin, so that Tab goes into it and its text can be scrolled by keys
      if (html) sheet.append(make("iframe", { sandbox: "allow-same-origin", tabIndex: 0, title: words.sheet, srcdoc: html }));
    },
    acks: line.heard,
  };
  const listeners = Object.entries(show).map(([name, f]) => [`change:${name}`, f]);
  listeners.push(["change:ways", show.scene], ["comm_live_update", line.hello]);
  listeners.push(...instruments.listeners, ...warned.listeners, ...help.listeners, ...(drawing.listeners ?? []));
  for (const [event, f] of listeners) model.on(event, f);
  for (const name of ["things", "scene", "notes", "problem", "sheet"]) show[name]();
  const first = model.get("notes").at(-1);
  if (first?.done) setText(said, `${first.done} ${first.text}`);
  line.hello();
  return () => {
    window.removeEventListener("keydown", mark, true);
    for (const [event, f] of listeners) model.off(event, f);
  };
}

export default { render };
