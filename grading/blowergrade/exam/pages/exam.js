// The candidate's page: signs in, shows the calls and the clock, and opens a call's panel on the line to the service.
// Rule: the page decides nothing. What it shows is the service's standing; where it has to change by itself, the focus is put on
// the new heading and the reason is said once.
import { Line, Model } from "./line.js";
import panel from "./panel.js";
import { ask, make, setText, time } from "./shared.js";

const root = document.getElementById("exam");
const SAID = [30, 10, 5, 1]; // minutes left that are spoken of
const LITTLE = 5; // minutes from which on the clock stands out
const TOGETHER = 1000; // ms within which two sentences are one
const READ = 20000; // ms that a sentence stays
const MORE = 3000; // ms: more time than expected by so much was given

// ------------------------------------------------------------------ signing in, in every language
function signIn(problem = "") {
  const words = Object.entries(JSON.parse(root.dataset.words));
  const each = (word, fallback) => words.flatMap(([language, t], k) => [k ? make("br") : "", make("span", { lang: language }, t[word] ?? (k ? "" : fallback))]);
  const every = (name) => words.flatMap(([language, t], k) => [k ? " / " : "", make("span", { lang: language }, t[name])]);
  const code = make("input", { id: "code", type: "text", name: "code", autocomplete: "off", spellcheck: false, required: true, autocapitalize: "characters" });
  const said = make("p", { id: "code-said", className: "ex-alert", role: "alert" }, ...(problem ? each(problem, problem) : []));
  code.setAttribute("aria-describedby", "code-help code-said");
  const form = make("form", {
    className: "ex-form",
    onsubmit: async (event) => {
      event.preventDefault();
      setText(said, "");
      try {
        start(await ask("POST", "sign-in", { code: code.value }), true);
      } catch (error) {
        said.replaceChildren(...each(error.word ?? "lost", error.message));
        code.focus();
        code.select();
      }
    },
  }, make("label", { htmlFor: "code" }, ...every("code")), make("p", { id: "code-help" }, ...every("code_help")), code,
  make("button", { type: "submit", className: "ex-first" }, ...every("enter")), said);
  root.replaceChildren(make("main", { className: "ex-main ex-narrow", id: "main" }, make("h1", {}, ...every("exam")), form));
  code.focus();
}

// ------------------------------------------------------------------ the exam
function start(me, moved) {
  const t = me.texts;
  const at = (k) => t.call.replace("{0}", k + 1);
  let standing = me;
  let taken = performance.now();
  let shown = { name: "" }; // the page that is shown: before, list, call or done
  let warned = Infinity;
  let focused = null; // where the focus was before a break
  document.documentElement.lang = me.language;
  document.title = `${me.title} – ${me.name}`;
  setText(document.querySelector(".ex-skip"), t.skip);

  const clock = make("span", { role: "timer" });
  const clockBox = make("p", { className: "ex-clock", hidden: !me.timed }, make("span", { className: "ex-faint" }, t.time_left), " ", clock);
  const status = make("p", { className: "ex-hidden", role: "status" });
  const seen = make("p", { className: "ex-said", hidden: true }); // the same, for the eyes
  const lost = make("p", { className: "ex-note", role: "alert", hidden: true });
  const note = make("p", { className: "ex-note", role: "alert", hidden: true });
  const home = make("button", { type: "button", hidden: true, onclick: () => page(list, true) }, t.back);
  const main = make("main", { className: "ex-main", id: "main", tabIndex: -1 });
  const resting = make("main", { className: "ex-main", hidden: true }, make("h2", { tabIndex: -1 }, t.rest), make("p", {}, t.paused));
  const top = make("div", { className: "ex-top" },
    make("header", { className: "ex-bar" }, make("h1", {}, me.title), make("p", { className: "ex-faint" }, me.school), make("p", {}, me.name), home, clockBox),
    make("div", { className: "ex-notes" }, status, lost, note, seen));
  root.replaceChildren(top, main, resting);
  new ResizeObserver(() => root.style.setProperty("--top", `${top.offsetHeight}px`)).observe(top); // the panel's own head stays below it

  const alert = (box, text) => { box.hidden = !text; setText(box, text); };
  const tell = (text) => alert(note, text);
  let fading = 0;
  let saying = { at: -Infinity, text: "" };
  function say(text) { // politely, and gone again when it was read; what comes at once is said together
    const now = performance.now();
    const together = now - saying.at < TOGETHER && saying.text !== text ? `${saying.text} ${text}` : text;
    saying = { at: now, text: together };
    setText(status, "");
    setTimeout(() => setText(status, together), 50);
    alert(seen, together);
    clearTimeout(fading);
    fading = setTimeout(() => alert(seen, ""), READ);
  }

  const line = new Line({
    words: t,
    standing: changed,
    line: (open) => {
      if (open && !lost.hidden) say(t.again);
      alert(lost, open ? "" : t.lost);
    },
    elsewhere: (text) => {
      leave();
      clearInterval(ticking);
      [home, clockBox, lost, note, seen].forEach((x) => { x.hidden = true; });
      resting.hidden = true;
      main.hidden = false;
      const why = make("p", { className: "ex-note", tabIndex: -1 }, text);
      main.replaceChildren(why, make("button", { type: "button", onclick: () => location.reload() }, t.enter));
      why.focus();
    },
    note: tell,
    ended: (item) => { if (shown.item === item) handedBack(); },
  });
  window.addEventListener("beforeunload", (event) => { if (line.owes && !line.over) event.preventDefault(); });

  // ---------------------------------------------------------------- the clock
  const remaining = () => Math.max(0, standing.left - (standing.runs ? performance.now() - taken : 0));

  function tick() {
    const left = remaining();
    setText(clock, time(left));
    clockBox.hidden = !standing.timed || isOver(standing);
    const minutes = Math.ceil(left / 60000);
    clockBox.classList.toggle("ex-little", standing.runs && minutes <= LITTLE);
    if (standing.runs && standing.timed && SAID.includes(minutes) && minutes < warned && left > 0) {
      warned = minutes;
      say(minutes === 1 ? t.one_minute : t.minutes_left.replace("{0}", minutes));
    }
  }
  const ticking = setInterval(tick, 500);

  // ---------------------------------------------------------------- what the service says
  const isOver = (s) => Boolean(s.submitted) || s.stage === "closed" || s.stage === "released";

  function changed(now) {
    const before = standing;
    const expected = remaining();
    standing = { ...standing, ...now };
    taken = performance.now();
    if (before.started && standing.timed && !isOver(standing) && standing.left - expected > MORE) {
      warned = Infinity;
      say(t.added.replace("{0}", time(standing.left - expected)));
    }
    tick();
    rest(standing.paused && !isOver(standing));
    if (isOver(standing)) {
      if (shown.name !== "done" || before.stage !== standing.stage) page(done);
    } else if (shown.name === "done" || (!before.started && standing.started)) page(list);
    else if (before.stage !== standing.stage) {
      if (standing.stage === "open") say(shown.name === "before" ? t.now_open : t.now_open_list);
      shown.update?.();
    } else if (shown.name === "list") shown.update();
  }

  function rest(paused) { // the bench is covered during a break, and the focus finds its place again after it
    if (resting.hidden === !paused) return;
    if (paused) focused = main.contains(document.activeElement) ? document.activeElement : null;
    main.hidden = paused;
    resting.hidden = !paused;
    home.hidden = paused || shown.name !== "call";
    if (paused) resting.querySelector("h2").focus();
    else (focused?.isConnected ? focused : main).focus();
  }

  // ---------------------------------------------------------------- pages
  function leave() {
    shown.clean?.();
    if (shown.model) line.leave(shown.model);
    shown = { name: "" };
  }

  function page(make_, byHand = false) {
    const inside = byHand || main.contains(document.activeElement) || document.activeElement === document.body || document.activeElement === home;
    leave();
    tell("");
    if (byHand) alert(seen, "");
    home.hidden = true;
    main.replaceChildren();
    shown = make_();
    const heading = main.querySelector("h2");
    heading?.setAttribute("tabindex", "-1");
    if (inside) heading?.focus({ preventScroll: true });
    scrollTo(0, 0);
  }

  async function send(address, next) {
    try {
      changed(await ask("POST", address, {}));
      if (next && !isOver(standing)) page(next, true);
    } catch (error) {
      tell(error.word ? t[error.word] ?? error.message : t.lost);
    }
  }

  function before() {
    const help = make("p", { id: "begin-help" });
    const begin = make("button", { type: "button", className: "ex-first", onclick: () => send("begin") }, t.begin);
    begin.setAttribute("aria-describedby", "begin-help");
    main.append(make("h2", {}, t.welcome.replace("{0}", me.name)), make("p", {}, t.instructions),
      make("section", { className: "ex-card", "aria-label": t.begin }, help, begin));
    if (me.trying) {
      main.append(make("section", { className: "ex-card", "aria-label": t.trying }, make("h3", {}, t.trying), make("p", {}, t.trying_help),
        make("button", { type: "button", onclick: () => page(() => call(me.trying, t.trying), true) }, t.trying_open)));
    }
    const update = () => {
      setText(help, standing.stage === "open" ? t.begin_help : t.wait);
      begin.hidden = standing.stage !== "open";
    };
    update();
    return { name: "before", update };
  }

  function list() {
    if (isOver(standing)) return done();
    if (!standing.started) return before();
    const states = standing.calls.map(() => make("p", {}));
    const calls = standing.calls.map((one, k) => make("li", {}, make("h3", {}, at(k)), states[k],
      make("button", { type: "button", onclick: () => page(() => call(one.id, at(k)), true) }, t.open.replace("{0}", at(k)))));
    const open = make("p", {});
    main.append(make("h2", {}, t.calls), make("p", {}, t.instructions), make("ol", { className: "ex-calls" }, ...calls), handIn(open));
    const update = () => {
      standing.calls.forEach((one, k) => {
        const state = one.ended ? t.ended : one.begun ? t.begun : t.new;
        setText(states[k], `${state}. ${t.acts.replace("{0}", one.acts)}`);
        states[k].className = one.ended ? "ex-done" : "";
      });
      const left = standing.calls.map((one, k) => (one.ended ? "" : at(k))).filter(Boolean);
      setText(open, left.length ? t.open_calls.replace("{0}", left.join(", ")) : "");
    };
    update();
    line.stands(); // the numbers of acts, once more from the service
    return { name: "list", update };
  }

  function handIn(open) {
    const yes = make("button", { type: "button", onclick: () => send("submit") }, t.yes);
    const no = make("button", { type: "button", onclick: () => turn(false) }, t.no);
    const first = make("button", { type: "button", onclick: () => turn(true) }, t.submit);
    const sure = make("p", { id: "sure" }, t.sure);
    const question = make("div", { hidden: true, role: "group" }, sure, open, no, yes);
    question.setAttribute("aria-labelledby", "sure");
    const turn = (asked) => {
      first.hidden = asked;
      question.hidden = !asked;
      (asked ? no : first).focus();
    };
    return make("section", { className: "ex-card", "aria-label": t.submit }, first, question);
  }

  function call(item, title) {
    const here = make("div", { className: "ex-bench" });
    const back = make("p", { className: "ex-note", hidden: true }, t.unit_back, " ", make("button", { type: "button", onclick: () => page(list, true) }, t.back));
    const loading = make("p", { role: "status" }, t.loading);
    home.hidden = false;
    main.append(make("h2", {}, title), back, loading, here);
    const own = { name: "call", item, back };
    own.model = new Model(item, line, (model) => {
      loading.remove();
      own.clean = panel.render({ model, el: here });
      if (model.get("scene").ended) back.hidden = false;
    });
    line.open(own.model);
    return own;
  }

  function handedBack() {
    if (!shown.back?.hidden) return;
    shown.back.hidden = false;
    say(t.unit_back);
  }

  function done() {
    const why = t[`over_${standing.submitted}`] ?? t.over;
    const body = make("tbody", {});
    const table = make("div", { className: "ex-scroll", tabIndex: 0, role: "region", "aria-label": t.receipts, hidden: true }, make("table", {},
      make("thead", {}, make("tr", {}, ...[t.service_call, t.acts_short, t.receipt].map((x) => make("th", { scope: "col" }, x)))), body));
    const print = make("button", { type: "button", hidden: true, onclick: () => window.print() }, t.print);
    const help = make("p", {}, t.receipt_help);
    const results = make("section", { "aria-label": t.results, hidden: true });
    main.append(make("h2", {}, t.over_title), make("p", { className: "ex-note" }, why), results, make("h3", {}, t.receipts), help, table, print);
    const fill = ({ receipts, results: found }) => {
      body.replaceChildren(...receipts.map((r) => make("tr", {}, make("th", { scope: "row" }, t.call.replace("{0}", r.call)),
        make("td", { className: "ex-number" }, String(r.acts)), make("td", {}, make("code", {}, make("b", {}, r.head.slice(0, 16)), r.head.slice(16))))));
      table.hidden = print.hidden = !receipts.length;
      if (!receipts.length) setText(help, t.no_receipts);
      results.hidden = !found;
      results.replaceChildren(make("h3", {}, t.results), ...(found ?? []).map((r) => make("p", {}, r)));
    };
    const fetched = () => ask("GET", "receipts").then(fill, (error) => {
      if (error.status === 401) line.end(t.sign_in);
      else if (shown.name === "done") setTimeout(fetched, 2000);
    });
    fetched();
    return { name: "done", update: fetched };
  }

  page(list, moved);
  rest(standing.paused && !isOver(standing));
  tick();
}

if (root.dataset.known === "yes") ask("GET", "me").then((me) => start(me, false), (error) => signIn(error.word ?? "lost"));
else signIn();
