// The line between a candidate's page and the service, and what a panel sees of it.
// Rule: every message stays in `waiting` until its frame came, and messages of a call leave in their order; after a break in the line
// they are sent again under their own numbers, so that none is lost and none is done twice.
import { ask } from "./shared.js";

const AGAIN = [500, 1000, 2000, 4000]; // ms between tries to connect
const FALLBACK_AFTER = 2; // WebSockets that never opened, then plain HTTP
const POLL = 5000; // ms between standings over plain HTTP
const LOOK = 30000; // ms between looks at the standing beside a WebSocket: a dead line shows
const SILENCE = 8000; // ms without an answer to an act, or to a knock: then the line is taken for dead
const AT_ONCE = 8; // messages of a call that may be on their way; the others wait here, not in the service's queue
const SOON = 1200; // ms until what came too fast is sent again
const BREATH = 1000; // ms that a break may last before the page speaks of it

/** `told` has standing(now), line(open), elsewhere(text), note(text), ended(item) and the texts as `words`. */
export class Line {
  constructor(told) {
    this.told = told;
    this.models = new Map(); // item → model
    this.failed = 0;
    this.tries = 0;
    this.plain = new URLSearchParams(location.search).has("plain");
    this.busy = false;
    this.answered = false; // over plain HTTP, while no WebSocket opened
    this.over = false;
    this.silent = 0; // the timer of a line that owes an answer
    window.addEventListener("offline", () => this.drop());
    window.addEventListener("online", () => this.hurry());
    setInterval(() => this.look(), LOOK);
    this.connect();
  }

  // ---------------------------------------------------------------- coming and going
  connect() {
    clearTimeout(this.next);
    if (this.over) return;
    if (this.plain) {
      document.body.dataset.line = "plain";
      this.poll();
      this.openAll();
      return;
    }
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
    this.socket = socket;
    this.opened = false;
    const opening = setTimeout(() => { if (this.socket === socket) this.drop(); }, SILENCE);
    socket.onopen = () => {
      clearTimeout(opening);
      if (this.socket !== socket) return;
      this.opened = true;
      this.failed = this.tries = 0;
      this.answered = false;
      this.is(true);
      this.openAll();
    };
    socket.onmessage = (event) => { if (this.socket === socket) this.heard(JSON.parse(event.data)); };
    socket.onclose = (event) => { if (this.socket === socket) this.lost(event.code); };
  }

  lost(code) {
    this.socket = null;
    this.quiet();
    for (const model of this.models.values()) model.halt();
    if (this.over) return;
    if (code === 4409) this.end(this.told.words.elsewhere);
    else if (code === 4401) this.end(this.told.words.sign_in);
    else {
      if (!this.opened) this.failed += 1;
      this.is(false);
      if (this.failed >= FALLBACK_AFTER) this.tryPlain();
      else this.later();
    }
  }

  /** Give up a socket that may be dead, without waiting for its own end. */
  drop() {
    const socket = this.socket;
    if (!socket) return;
    this.lost(0);
    socket.close();
  }

  hurry() {
    if (this.plain || this.socket) return;
    this.tries = 0;
    this.connect();
  }

  is(open) { // a short break is nobody's business
    document.body.dataset.line = open ? (this.plain ? "plain" : "open") : "closed";
    clearTimeout(this.saying);
    if (open) this.told.line(true);
    else this.saying = setTimeout(() => this.told.line(false), BREATH);
  }

  later() {
    const wait = AGAIN[Math.min(this.tries, AGAIN.length - 1)];
    this.tries += 1;
    this.next = setTimeout(() => this.connect(), wait);
  }

  async tryPlain() { // only where the service answers at all: a service that is down is waited for
    try {
      this.told.standing(await ask("GET", "me"));
      this.plain = this.answered; // it may have come back just now: one more try
      this.answered = true;
      if (this.plain) this.is(true);
      this.connect();
    } catch (error) {
      if (error.status === 401) this.end(this.told.words.sign_in);
      else {
        this.failed = 0;
        this.answered = false;
        this.later();
      }
    }
  }

  /** This page counts no more. */
  end(text) {
    if (this.over) return;
    this.over = true;
    clearTimeout(this.saying);
    this.socket?.close();
    this.told.elsewhere(text);
  }

  async poll() {
    await this.stands();
    if (!this.over) setTimeout(() => this.poll(), POLL);
  }

  look() {
    if (!this.over && !this.plain && this.socket && this.opened) this.stands();
  }

  async stands() {
    const socket = this.socket;
    try {
      this.told.standing(await ask("GET", this.plain ? "me?plain=1" : "me"));
      if (this.plain) this.is(true);
    } catch (error) {
      if (error.status === 401) this.end(this.told.words.sign_in);
      else if (!error.status && this.plain) this.is(false);
      else if (!error.status && socket === this.socket) this.drop();
    }
  }

  /** Whether closing the page now would lose an act. */
  get owes() { return [...this.models.values()].some((m) => m.waiting.some((x) => x.seq > 0)); }

  // ---------------------------------------------------------------- calls
  openAll() {
    for (const model of [...this.models.values()]) this.open(model);
  }

  open(model) {
    model.halt();
    this.models.set(model.item, model);
    const views = model.views();
    if (!this.plain) return this.write({ item: model.item, views });
    return ask("GET", `call/${model.item}?views=${views.join(",")}`).then((state) => model.begin(state), (error) => {
      if (error.word) this.refused(model, { refused: error.word, text: error.message, seq: null });
      else this.again(model, 2000);
    });
  }

  /** Open a call once more, in a while. */
  again(model, wait) {
    model.halt();
    setTimeout(() => { if (this.models.get(model.item) === model) this.open(model); }, wait);
  }

  /** The call is off the page; what it still owes goes out all the same. */
  leave(model) {
    model.left = true;
    if (!model.waiting.length) this.forget(model);
  }

  forget(model) {
    if (this.models.get(model.item) === model) this.models.delete(model.item);
  }

  // ---------------------------------------------------------------- messages
  heard(data) {
    this.quiet();
    if (data.standing) this.told.standing(data.standing);
    else if (data.refused) this.refused(this.models.get(data.item), data);
    else if (data.state) this.models.get(data.item)?.begin(data.state);
    else this.models.get(data.item)?.framed(data.seq, data.frame);
    this.watch();
  }

  watch() {
    if (!this.silent && !this.plain && this.socket && this.owes) this.silent = setTimeout(() => this.drop(), SILENCE);
  }

  quiet() {
    clearTimeout(this.silent);
    this.silent = 0;
  }

  refused(model, { refused, text, seq }) {
    const own = this.told.words[refused] ?? text;
    if (refused === "sign_in") this.end(own);
    else if (!model) this.told.note(own);
    else if (refused === "slow_down" && Number.isInteger(seq)) model.wait(seq, SOON);
    else if (refused === "slow_down") this.again(model, SOON); // it was being opened
    else if (refused === "trouble" || refused === "open_first") this.again(model, 1000);
    else model.turnedAway(seq, own);
  }

  write(message) {
    if (this.socket?.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
  }

  /** Send what a call has to say, in its order, as far as it may be on its way already. */
  send(model) {
    if (this.plain) {
      this.drain(model);
      return;
    }
    for (const message of model.sendable()) this.write({ item: model.item, message });
    this.watch();
  }

  async drain(model) { // plain HTTP: one after another, so that they arrive in order
    if (this.busy) return;
    this.busy = true;
    try {
      while (model.live && model.waiting.length && !this.over) await this.post(model, model.waiting[0]);
    } finally {
      this.busy = false;
    }
    const other = [...this.models.values()].find((m) => m.live && m.waiting.length);
    if (other && !this.over) this.drain(other);
  }

  async post(model, message) {
    try {
      model.framed(message.seq, await ask("POST", `call/${model.item}`, message), message);
      this.is(true);
    } catch (error) {
      if (!error.word) { // no answer: the same message again, until there is one
        this.is(false);
        await new Promise((f) => { setTimeout(f, 2000); });
      } else if (error.word === "slow_down") await new Promise((f) => { setTimeout(f, SOON); });
      else this.refused(model, { refused: error.word, text: error.message, seq: message.seq });
    }
  }
}

/** What a panel takes for its notebook's model: get, on, off and send. `ready(model)` is called once there is something to draw. */
export class Model {
  constructor(item, line, ready) {
    const before = line.models.get(item); // left with something to say: it is said first
    Object.assign(this, { item, line, ready, state: null, waiting: before?.waiting ?? [], listeners: new Map(), sent: new Map() });
    this.away = new Set(); // the messages that are on their way
    this.live = false; // whether the service has the call open, and nothing is held back
    this.left = false;
  }

  get(name) { return this.state[name]; }

  on(event, f) { this.listeners.set(event, [...(this.listeners.get(event) ?? []), f]); }

  off(event, f) { this.listeners.set(event, (this.listeners.get(event) ?? []).filter((g) => g !== f)); }

  fire(event) { for (const f of this.listeners.get(event) ?? []) f(); }

  send({ ...message }) {
    this.sent.set(message.view, Math.max(message.seq, this.sent.get(message.view) ?? 0));
    this.waiting.push(message);
    this.line.send(this);
  }

  /** What may leave now; it counts as on its way from here on. */
  sendable() {
    if (!this.live) return [];
    const found = this.waiting.filter((m) => !this.away.has(m)).slice(0, Math.max(0, AT_ONCE - this.away.size));
    for (const message of found) this.away.add(message);
    return found;
  }

  views() { return this.state ? ["ladder", "connectors", "air", "board"].filter((v) => this.state[`tree_${v}`]?.tree) : []; }

  /** The whole state: at first, and after a break in the line. */
  begin(state) {
    const first = this.state === null;
    this.waiting = this.waiting.filter((m) => m.seq > (state.acks[m.view] ?? 0)); // a greeting (0) is given anew
    state.acks = this.acked(state.acks);
    this.halt();
    this.live = true;
    this.line.send(this);
    if (first) {
      this.state = state;
      this.ready(this);
    } else {
      const { drawing, forms, words, ...changing } = state;
      this.apply(changing);
      this.fire("comm_live_update"); // the panel greets again, and hears what it missed
    }
    this.done();
  }

  /** What the service dealt with, by view: it keeps no count of what left nothing in the record, so this page's own counts too. */
  acked(acks) {
    const made = { ...acks };
    for (const [view, last] of this.sent) {
      const open = this.waiting.filter((m) => m.view === view && m.seq > 0).map((m) => m.seq);
      made[view] = Math.max(made[view] ?? 0, open.length ? Math.min(...open) - 1 : last);
    }
    return made;
  }

  /** Nothing is on its way any more, and nothing leaves before the call is open again. */
  halt() {
    clearTimeout(this.held);
    this.live = false;
    this.away.clear();
  }

  /** What came too fast, from `seq` on, is held back for a while and then sent again in its order. */
  wait(seq, milliseconds) {
    const from = this.waiting.findIndex((m) => m.seq === seq);
    if (from < 0) return;
    for (const message of this.waiting.slice(from)) this.away.delete(message);
    clearTimeout(this.held);
    this.live = false;
    this.held = setTimeout(() => {
      this.live = true;
      this.line.send(this);
    }, milliseconds);
  }

  framed(seq, frame, message) {
    this.answered(message ?? this.waiting.find((m) => m.seq === seq)); // the first: answers come in order
    this.apply(frame.changes);
    document.body.dataset.acts = String(frame.acts);
    document.body.dataset.receipt = frame.receipt;
    if (frame.ended) this.line.told.ended(this.item);
    this.done();
  }

  /** A message that is not taken: said once, and the panel goes on. */
  turnedAway(seq, text) {
    const message = this.waiting.find((m) => m.seq === seq);
    if (message) {
      this.answered(message);
      if (this.state) this.apply({ acks: { ...this.state.acks, [message.view]: Math.max(seq, this.state.acks[message.view] ?? 0) } });
    }
    if (!this.left) this.line.told.note(text);
    this.done();
  }

  answered(message) {
    this.waiting = this.waiting.filter((m) => m !== message);
    this.away.delete(message);
  }

  done() {
    if (this.left && !this.waiting.length) this.line.forget(this);
    else if (!this.line.plain) this.line.send(this);
  }

  apply(changes) {
    const fresh = Object.entries(changes).filter(([name]) => !(name.startsWith("tree_") && this.state[name]?.tree)); // drawn once: the focus may be in it
    Object.assign(this.state, Object.fromEntries(fresh));
    for (const [name] of fresh) this.fire(`change:${name}`);
  }
}
