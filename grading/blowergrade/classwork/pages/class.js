// The live class page: one row for each student, asked for every few seconds.
// Rule: rows stay where they are and only what changed is written, so that focus and a reader's place are never lost; only news
// that may need somebody to go there is read out.
import { ask as fetchJson, make, setText } from "../shared.js";

const root = document.getElementById("class");
const EVERY = 3000; // ms between two looks
const SPAN = 30 * 60_000; // ms that the picture shows
const SVG = "http://www.w3.org/2000/svg";
const SIGNS = { // of a state: drawn in a square of 16
  "not here": "M8 2a6 6 0 1 0 0 12a6 6 0 1 0 0 -12m0 1.5a4.5 4.5 0 1 1 0 9a4.5 4.5 0 1 1 0 -9", working: "M3 2l11 6-11 6z",
  stuck: "M2 2h12v12H2z", away: "M3 2h3.5v12H3zM9.5 2H13v12H9.5z", finished: "M1.5 8.5l2-2 3 3L13 3l2 2-8.5 8.5z",
};
const COUNTS = [["working", "at work"], ["stuck", "stuck"], ["unsafe", "did something unsafe"], ["finished", "finished"], ["away", "away"], ["not here", "not here"]];

const ask = (method, address, body) => fetchJson(method, `/proctor/${address}`, body);
const minutes = (ms) => Math.floor(ms / 60_000);
const ago = (ms) => (ms === null ? "" : ms < 60_000 ? "now" : `${minutes(ms)} min ago`);
const plural = (n, word) => `${n} ${word}${n === 1 ? "" : "s"}`;

function drawn(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

const sign = (state) => drawn("svg", { viewBox: "0 0 16 16", "aria-hidden": "true" }, drawn("path", { d: SIGNS[state], fill: "currentColor", "fill-rule": "evenodd" }));
const triangle = (x, y) => drawn("path", { class: "cl-bad", d: `M${x - 6} ${y + 10}L${x} ${y}L${x + 6} ${y + 10}z` });

/** The acts of the last half hour, the newest at the right. */
function strip(student) {
  const shown = student.marks.filter((m) => m.ago <= SPAN);
  const count = (kind) => shown.filter((m) => m.kind === kind).length;
  const label = `${plural(shown.length, "act")} in the last 30 minutes: ${count("told")} ruled something out, ${count("unsafe")} unsafe`;
  const picture = drawn("svg", { class: "cl-strip", viewBox: "0 0 288 44", role: "img", "aria-label": label });
  picture.append(drawn("path", { class: "cl-axis", d: "M4 28H284M4 28v4M97 28v4M190 28v4M284 28v4", fill: "none" }));
  for (const [x, text, anchor] of [[4, "30 min ago", "start"], [190, "10", "middle"], [97, "20", "middle"], [284, "now", "end"]]) {
    picture.append(drawn("text", { class: "cl-scale", x, y: 39.5, "text-anchor": anchor }, text));
  }
  for (const kind of ["act", "told", "unsafe"]) {
    for (const mark of shown.filter((m) => m.kind === kind)) {
      const x = (284 - (280 * mark.ago) / SPAN).toFixed(1);
      if (kind === "act") picture.append(drawn("path", { class: "cl-act", d: `M${x} 28v-8` }));
      if (kind === "told") picture.append(drawn("path", { class: "cl-told", d: `M${x} 28v-14` }), drawn("circle", { class: "cl-told", cx: x, cy: 12, r: 2 }));
      if (kind === "unsafe") picture.append(triangle(Number(x), 1));
    }
  }
  return picture;
}

/** How much of where the fault may be is left: full at the start, a sliver when one place is. */
function left(student) {
  const width = student.of ? (96 * student.places) / student.of : 0;
  return drawn("svg", { class: "cl-bar", viewBox: "0 0 98 10", "aria-hidden": "true" },
    drawn("rect", { class: "cl-left", x: 1, y: 1, width, height: 8 }), drawn("rect", { class: "cl-gone", x: 1, y: 1, width: 96, height: 8 }));
}

const legend = () => make("p", { className: "cl-legend" },
  ...[
    ["an act", drawn("path", { class: "cl-act", d: "M8 14V6" })],
    ["it ruled something out", drawn("g", {}, drawn("path", { class: "cl-told", d: "M8 15V4" }), drawn("circle", { class: "cl-told", cx: 8, cy: 3, r: 2 }))],
    ["unsafe", triangle(8, 3)],
  ].map(([text, mark]) => make("span", {}, drawn("svg", { viewBox: "0 0 16 16", "aria-hidden": "true" }, mark), ` ${text}`)));

// ------------------------------------------------------------------ signing in
function signIn(problem = "") {
  const code = make("input", { id: "code", autocomplete: "off", spellcheck: false, required: true, type: "password" });
  const said = make("p", { id: "code-said", className: "ex-alert", role: "alert" }, problem);
  code.setAttribute("aria-describedby", "code-help code-said");
  root.replaceChildren(make("main", { className: "ex-main ex-narrow" }, make("h1", {}, "Class"),
    make("form", {
      className: "ex-form",
      onsubmit: async (event) => {
        event.preventDefault();
        setText(said, "");
        try {
          await ask("POST", "sign-in", { code: code.value });
          page(await ask("GET", "class/state"));
        } catch (error) {
          setText(said, error.word === "no_code" ? "This is not the instructor's code. `blowergrade class serve` prints it." : error.word ? error.message : "There is no connection to the service.");
          code.focus();
        }
      },
    }, make("label", { htmlFor: "code" }, "The instructor's code"), make("p", { id: "code-help" }, "The service printed it when it was started."),
    code, make("button", { type: "submit", className: "ex-first" }, "Sign in"), said)));
  code.focus();
}

// ------------------------------------------------------------------ the page
function page(first) {
  const said = make("p", { className: "ex-alert", role: "alert" });
  const news = make("p", { className: "ex-hidden", role: "status" });
  const stage = make("p", { className: "ex-faint" });
  const rows = new Map();
  const before = new Map(); // student → what was told of them last
  let held = false, nameless = false, last = first;

  const hold = make("button", { type: "button", "aria-pressed": "false", onclick: () => {
    held = !held;
    hold.setAttribute("aria-pressed", String(held));
    if (!held) look();
  } }, "Hold the page still");
  const hide = make("button", { type: "button", "aria-pressed": "false", onclick: () => {
    nameless = !nameless;
    hide.setAttribute("aria-pressed", String(nameless));
    show(last);
  } }, "Hide names");
  const counts = new Map(COUNTS.map(([word, text]) => [word, [make("b", {}, "0"), text]]));
  const heads = ["Student", "State", "Safety", "Last act", "Acts", "Places left", "The last 30 minutes"];
  const body = make("tbody", {});
  document.title = first.title;
  root.replaceChildren(
    make("header", { className: "ex-bar" }, make("h1", {}, first.title), make("p", {}, first.school), stage,
      make("div", { className: "cl-tools" }, hold, hide, make("a", { href: "../proctor" }, "Desk: breaks, notes, closing"))),
    make("main", { className: "ex-main" }, said, news,
      make("ul", { className: "cl-counts", "aria-label": "How many" }, ...[...counts.values()].map(([number, text]) => make("li", {}, number, text))),
      legend(),
      make("div", { className: "ex-scroll", tabIndex: 0, role: "region", "aria-label": "Students" },
        make("table", { className: "cl-table" }, make("caption", { className: "ex-hidden" }, "Students"),
          make("thead", {}, make("tr", {}, ...heads.map((h) => make("th", { scope: "col" }, h)))), body)),
      make("p", { className: "ex-faint" }, "Stuck is a guess from the record: no act for a while, many questions that ruled nothing out, or the same ones again. "
        + "Places left is where the fault may still be by what was measured. "
        + "Unsafe is what the safety rules say about an act. Nothing on this page is a grade.")));

  function row() {
    const parts = {
      name: make("th", { scope: "row" }), word: make("span", {}), why: make("span", { className: "cl-why" }), sign: make("span", {}),
      safety: make("td", {}), idle: make("td", { className: "ex-number" }), acts: make("td", { className: "ex-number" }),
      places: make("td", {}), picture: make("td", {}),
    };
    const state = make("td", {}, make("span", { className: "cl-state" }, parts.sign, parts.word), parts.why);
    parts.element = make("tr", {}, parts.name, state, parts.safety, parts.idle, parts.acts, parts.places, parts.picture);
    body.append(parts.element);
    return parts;
  }

  /** Write a cell anew only where what it shows is another. */
  function fill(cell, key, made) {
    if (cell.dataset.key === key) return;
    cell.dataset.key = key;
    cell.replaceChildren(...made());
  }

  function safety(student) {
    if (!student.unsafe.length) return student.acts ? ["nothing unsafe"] : [];
    const kinds = new Map(); // what was done → its acts, the newest first
    for (const u of student.unsafe.toReversed()) kinds.set(u.what, [...(kinds.get(u.what) ?? []), u]);
    const one = ([what, acts]) => `${what} (${acts.length > 1 ? "acts" : "act"} ${acts.slice(0, 4).map((u) => u.act).join(", ")}${acts.length > 4 ? ", …" : ""}; ${ago(acts[0].ago)})`;
    const shown = [...kinds].slice(0, 3);
    const more = kinds.size - shown.length;
    return [make("div", { className: "cl-unsafe" }, `▲ unsafe, ${student.unsafe.length}×`,
      make("ul", {}, ...shown.map((k) => make("li", {}, one(k))), ...(more ? [make("li", {}, `and ${more} other kinds`)] : [])))];
  }

  function show(hall) {
    last = hall;
    setText(stage, { planned: "Not open yet", open: "Open", closed: "Closed", released: "Closed" }[hall.stage]);
    const told = [];
    hall.students.forEach((student, k) => {
      if (!rows.has(student.id)) rows.set(student.id, row());
      const parts = rows.get(student.id);
      const name = nameless ? `Student ${k + 1}` : `${student.name} (${student.id})`;
      setText(parts.name, name);
      fill(parts.sign, student.state, () => [sign(student.state)]);
      setText(parts.word, student.state);
      setText(parts.why, [...student.why, student.problem].filter(Boolean).join("; "));
      fill(parts.safety, JSON.stringify([student.acts > 0, student.unsafe.map((u) => [u.act, minutes(u.ago)])]), () => safety(student));
      setText(parts.idle, ago(student.idle));
      setText(parts.acts, String(student.acts));
      fill(parts.places, `${student.places}/${student.of}`, () => (student.places === null ? [] : [`${student.places} of ${student.of}`, left(student)]));
      fill(parts.picture, JSON.stringify(student.marks.map((m) => [Math.floor(m.ago / 15_000), m.kind])), () => (student.acts ? [strip(student)] : []));
      parts.element.dataset.state = student.state;
      parts.element.dataset.unsafe = student.unsafe.length ? "yes" : "no";
      const was = before.get(student.id);
      if (was && was.state !== student.state && ["stuck", "finished"].includes(student.state)) told.push(`${name}: ${student.state}.`);
      if (was && student.unsafe.length > was.unsafe) told.push(`${name}: unsafe. ${student.unsafe.at(-1).what}.`);
      before.set(student.id, { state: student.state, unsafe: student.unsafe.length });
    });
    for (const [word, [number]] of counts) {
      setText(number, String(hall.students.filter((s) => (word === "unsafe" ? s.unsafe.length : s.state === word)).length));
    }
    if (told.length) news.textContent = told.join(" ");
  }

  async function look() {
    try {
      const hall = await ask("GET", "class/state");
      if (!held) show(hall);
      setText(said, "");
    } catch (error) {
      if (error.status === 401) {
        clearInterval(timer);
        signIn(error.message);
      } else setText(said, "There is no connection to the service. What is shown is as it was.");
    }
  }

  const timer = setInterval(() => { if (!held) look(); }, EVERY);
  show(first);
}

if (root.dataset.known === "yes") ask("GET", "class/state").then(page, () => signIn());
else signIn();
