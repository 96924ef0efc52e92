// The proctor's desk: one table of the hall, and for each candidate what can be done. It is asked for every two seconds.
// Rule: rows are kept and only changed texts are written, so that focus, selection and a screen reader's place are never lost; what
// can't be undone is asked twice.
import { ask as fetchJson, make, setText, time } from "./shared.js";

const root = document.getElementById("desk");
const EVERY = 2000; // ms between looks at the hall
const STAGES = { planned: "Not open yet", open: "Open", closed: "Closed", released: "Results released" };
const ENDS = { candidate: "handed in", time: "out of time", proctor: "ended by the proctor" };

const ask = (method, address, body) => fetchJson(method, `/proctor/${address}`, body);
const field = (text, control, kind = "") => make("label", { className: `ex-field ${kind}` }, make("span", {}, text), control);
const button = (text, onclick) => make("button", { type: "button", onclick }, text);

function signIn(problem = "") {
  const code = make("input", { id: "code", autocomplete: "off", spellcheck: false, required: true, type: "password" });
  const said = make("p", { id: "code-said", className: "ex-alert", role: "alert" }, problem);
  const show = make("input", { type: "checkbox", id: "show", onchange: () => { code.type = show.checked ? "text" : "password"; } });
  code.setAttribute("aria-describedby", "code-help code-said");
  root.replaceChildren(make("main", { className: "ex-main ex-narrow" }, make("h1", {}, "Proctor"),
    make("form", {
      className: "ex-form",
      onsubmit: async (event) => {
        event.preventDefault();
        setText(said, "");
        try {
          await ask("POST", "sign-in", { code: code.value });
          desk(await ask("GET", "state"));
        } catch (error) {
          setText(said, error.word ? error.message : "There is no connection to the service.");
          code.focus();
        }
      },
    }, make("label", { htmlFor: "code" }, "The proctor's code"), make("p", { id: "code-help" }, "It stands on the first slip."), code,
    make("p", {}, make("label", { className: "ex-check" }, show, "Show the code")), make("button", { type: "submit", className: "ex-first" }, "Sign in"), said)));
  code.focus();
}

// ------------------------------------------------------------------ a candidate in words
function state(c) {
  if (c.submitted) return ENDS[c.submitted];
  if (!c.signed_in) return "not here";
  const line = c.connected ? "" : "NOT CONNECTED";
  if (c.paused) return ["on a break", line].filter(Boolean).join(", ");
  return [line || (c.started ? "working" : "here"), c.started ? "" : "not begun"].filter(Boolean).join(", ");
}

/** Somebody the proctor should look after: signed in, not done, and no page of theirs answers. */
const alone = (c) => c.signed_in && !c.submitted && !c.connected;

function counts(hall) {
  const of = (test) => hall.candidates.filter(test).length;
  const parts = [
    [hall.candidates.length, "candidates"], [of((c) => !c.signed_in), "not here"],
    [of((c) => c.started && !c.submitted && !c.paused), "working"], [of((c) => c.paused && !c.submitted), "on a break"], [of((c) => c.submitted), "done"],
  ].filter(([n], k) => n || !k).map(([n, text]) => `${n} ${text}`);
  const missing = hall.candidates.filter((c) => alone(c) && hall.stage === "open").map((c) => c.name);
  return `${parts.join(", ")}.${missing.length ? ` Not connected: ${missing.join(", ")}.` : ""}`;
}

// ------------------------------------------------------------------ the desk
function desk(first) {
  let hall = first;
  let chosen = ""; // the candidate whose dialog is open
  document.title = `Proctor – ${first.title}`;
  const away = make("p", { className: "ex-note", role: "alert", hidden: true });
  const status = make("p", { className: "ex-hidden", role: "status" });
  const said = make("p", { className: "ex-said", role: "alert", hidden: true });
  const stage = make("p", {});
  const summary = make("p", { className: "ex-counts" });
  const say = (text) => { setText(status, ""); setTimeout(() => setText(status, text), 50); };
  const fail = (where, text) => { where.hidden = !text; setText(where, text); };
  const find = (id) => hall.candidates.find((c) => c.id === id);

  async function act(what, where, done) {
    try {
      show(await ask("POST", "do", what));
      fail(where, "");
      say(done);
      return true;
    } catch (error) {
      if (error.status === 401) stop(error.message);
      else fail(where, error.word ? error.message : "There is no connection to the service. Nothing was done.");
      return false;
    }
  }

  // ---------------------------------------------------------------- the whole hall
  const open = button("Let candidates begin", async () => { if (await act({ do: "open" }, said, "Candidates may begin.")) close.focus(); });
  open.className = "ex-first";
  const close = button("Close the sitting", () => ask2(true));
  const sure = make("span", { hidden: true, role: "group", "aria-label": "Close the sitting" }, "Close it for everybody? It can't be opened again. ",
    button("No", () => ask2(false)), button("Yes, close it", async () => {
      if (await act({ do: "close" }, said, "The sitting is closed.")) { sure.hidden = true; heading.focus(); }
    }));
  const ask2 = (asked) => { sure.hidden = !asked; close.hidden = asked; (asked ? sure.querySelector("button") : close).focus(); };

  const head = ["Candidate", "Granted", "State", "Time left", "Handed back", "Begun", "Acts", "Last act", ...(first.kind === "class" ? ["Work"] : []), ""];
  const wide = ["Time left", "Handed back", "Begun", "Acts", "Last act"];
  const body = make("tbody", {});
  const rows = new Map();
  const log = make("ul", { className: "ex-log", tabIndex: 0, "aria-label": "Log" });
  const note = incident(() => "", said);
  const dialog = person();
  const heading = make("h2", { tabIndex: -1 }, "Candidates");
  root.replaceChildren(
    make("header", { className: "ex-bar" }, make("h1", {}, first.title), make("p", { className: "ex-faint" }, first.school), stage, open, close, sure),
    make("div", { className: "ex-notes" }, away, said, status),
    make("main", { className: "ex-main" }, heading, summary,
      make("div", { className: "ex-scroll", tabIndex: 0, role: "region", "aria-label": "Candidates" }, make("table", { className: "ex-desk" },
        make("thead", {}, make("tr", {}, ...head.map((h) => (h ? make("th", { scope: "col", className: wide.includes(h) ? "ex-number" : "" }, h) : make("td", {}))))), body)),
      make("section", { className: "ex-card" }, make("h2", {}, "Incident in the hall"), note),
      make("section", { className: "ex-card" }, make("h2", {}, "What was done"), log)),
    dialog.element);
  heading.focus();

  function incident(whose, where) {
    const text = make("textarea", { rows: 2 });
    return make("div", { className: "ex-row" }, field("What happened", text, "ex-wide"), button("Write it down", async () => {
      if (await act({ do: "incident", candidate: whose(), text: text.value }, where, "Written down.")) text.value = "";
      else text.focus();
    }));
  }

  // ---------------------------------------------------------------- one candidate
  function person() {
    const title = make("h2", { id: "person", tabIndex: -1 });
    const how = make("p", {});
    const granted = make("p", {});
    const told = make("p", { className: "ex-said", role: "alert", hidden: true });
    const more = make("input", { type: "number", min: 1, max: 600, value: 5 });
    const why = make("input", { type: "text" });
    const reason = make("input", { type: "text" });
    const doing = (what, done) => act({ candidate: chosen, ...what }, told, `${done}: ${find(chosen).name}`);
    const give = button("Give minutes", async () => {
      if (await doing({ do: "grant", minutes: more.valueAsNumber, reason: why.value }, "Minutes given")) why.value = "";
      else why.focus();
    });
    const swap = (one, other) => { if (document.activeElement === document.body || one.hidden) other.focus(); };
    const pause = button("Begin a break", async () => { if (await doing({ do: "pause", reason: reason.value }, "Break began")) { reason.value = ""; swap(pause, resume); } });
    const resume = button("End the break", async () => { if (await doing({ do: "resume" }, "Break over")) swap(resume, pause); });
    const again = button("Let in again", async () => { if (await doing({ do: "let" }, "May sign in again")) title.focus(); });
    const end = button("End this exam", () => twice(true));
    const sure = make("span", { hidden: true }, "End it now? It can't be undone. ", button("No", () => twice(false)),
      button("Yes, end it", async () => { if (await doing({ do: "end" }, "Ended")) { sure.hidden = true; title.focus(); } }));
    const twice = (asked) => { sure.hidden = !asked; end.hidden = asked; (asked ? sure.querySelector("button") : end).focus(); };
    const time_ = make("section", {}, make("h3", {}, "More time"), make("div", { className: "ex-row" }, field("Minutes", more, "ex-short"), field("Reason", why, "ex-wide"), give));
    const rest = make("section", {}, make("h3", {}, "Break: the clock stands"), make("div", { className: "ex-row" }, field("Reason", reason, "ex-wide"), pause, resume));
    const door = make("section", {}, make("h3", {}, "Another machine, or signed out"), make("div", { className: "ex-row" }, again));
    const ending = make("section", {}, make("h3", {}, "End"), make("div", { className: "ex-row" }, end, sure));
    const element = make("dialog", { className: "ex-dialog", onclose: () => { const row = rows.get(chosen); chosen = ""; row?.more.focus(); } },
      title, how, granted, told, time_, rest, door, make("section", {}, make("h3", {}, "Incident"), incident(() => chosen, told)), ending,
      make("div", { className: "ex-row" }, button("Close", () => element.close())));
    element.setAttribute("aria-labelledby", "person");

    function update() {
      const c = find(chosen);
      if (!c) return;
      setText(title, `${c.name} (${c.id})`);
      setText(how, `${state(c)}${hall.timed ? `; ${time(c.left)} left` : ""}; ${c.acts} acts`);
      setText(granted, c.granted.length ? `Granted: ${c.granted.join(", ")}` : "No accommodation");
      const over = Boolean(c.submitted);
      time_.hidden = !hall.timed || hall.stage !== "open" || (over && c.submitted !== "time");
      rest.hidden = !c.started || over;
      pause.hidden = reason.parentElement.hidden = c.paused;
      resume.hidden = !c.paused;
      door.hidden = c.may_sign_in || over || hall.stage !== "open";
      ending.hidden = !c.started || over;
    }
    function see(id) {
      chosen = id;
      fail(told, "");
      sure.hidden = true;
      end.hidden = false;
      update();
      element.showModal();
      title.focus();
    }
    return { element, update, see };
  }

  // ---------------------------------------------------------------- the table
  function row(c) {
    const cells = head.slice(1, -1).map((h) => make("td", { className: wide.includes(h) ? "ex-number" : "" }));
    const more = button("Open", () => dialog.see(c.id));
    more.setAttribute("aria-label", `Open ${c.name}`);
    const element = make("tr", {}, make("th", { scope: "row" }, `${c.name} (${c.id})`), ...cells, make("td", {}, more));
    body.append(element);
    return { element, cells, more };
  }

  function show(now) {
    const before = new Map(hall.candidates.map((c) => [c.id, c]));
    hall = now;
    setText(stage, STAGES[hall.stage]);
    open.hidden = hall.stage !== "planned";
    if (hall.stage !== "open") close.hidden = sure.hidden = true;
    else if (sure.hidden) close.hidden = false;
    setText(summary, counts(hall));
    for (const c of hall.candidates) {
      if (!rows.has(c.id)) rows.set(c.id, row(c));
      const { cells, element } = rows.get(c.id);
      const texts = [c.granted.join(", "), state(c), hall.timed ? time(c.left) : "–", `${c.ended} of ${c.of}`, c.begun, c.acts, c.idle === null ? "–" : `${time(c.idle)} ago`];
      if (hall.kind === "class") texts.push(c.work ?? "");
      texts.forEach((text, k) => setText(cells[k], String(text)));
      element.toggleAttribute("data-look", alone(c) && hall.stage === "open");
    }
    const news = hall.candidates.filter((c) => alone(c) && before.has(c.id) && !alone(before.get(c.id)));
    if (news.length) say(`Not connected: ${news.map((c) => c.name).join(", ")}`);
    dialog.update();
    const name = (id) => (id ? `${find(id)?.name ?? id}: ` : "");
    const lines = hall.log.map((x) => [new Date(x.at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: false }), `${name(x.candidate)}${x.text}`]);
    const text = JSON.stringify(lines);
    if (log.dataset.text !== text) {
      log.dataset.text = text;
      log.replaceChildren(...lines.map(([at, what]) => make("li", {}, make("time", {}, at), what)));
    }
  }

  show(first);
  const timer = setInterval(async () => {
    try {
      show(await ask("GET", "state"));
      fail(away, "");
    } catch (error) {
      if (error.status === 401) stop(error.message);
      else fail(away, "There is no connection to the service. It is tried again by itself.");
    }
  }, EVERY);
  function stop(text) {
    clearInterval(timer);
    signIn(text);
  }
}

if (root.dataset.known === "yes") ask("GET", "state").then(desk, () => signIn());
else signIn();
