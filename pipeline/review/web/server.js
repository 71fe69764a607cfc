// The server's side of the desk: what is asked of it, what waits to be written, and whether it answers.
import { same } from "./dom.js";

const PATIENCE = 30000; // milliseconds until an answer is given up
const UNSAVED = "court-unsaved"; // in sessionStorage: it ends with the tab, so that no name stays in the browser

/** No answer: the server has ended, or the machine slept. */
export class Lost extends Error {}

/** The server said no. message  its words for the person; status, body  of the answer */
export class Refused extends Error {
  constructor(status, body) {
    super(body.message || `The review program answered with an error (${status}).`);
    this.status = status;
    this.body = body;
  }
}

/** GET, or POST where there is a body. Raises Lost or Refused. */
export async function ask(path, body) {
  const options = { cache: "no-store", signal: AbortSignal.timeout(PATIENCE) };
  if (body !== undefined) {
    options.method = "POST";
    options.headers = { "Content-Type": "application/json", "X-Court": "1" };
    options.body = JSON.stringify(body);
    options.keepalive = options.body.length < 60000; // a change made as the tab closes still arrives
  }
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Lost();
  }
  const value = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Refused(answer.status, value);
  return value;
}

const keyOf = (item) => JSON.stringify([item.frame, item.field, item.delivery ?? null]);

/**
 * Changes on their way to the server, one at a time and in order.
 *
 * A change stays until the server has said that it is written: while it is lost, across a reload, and while the person
 * decides between it and another window's. heard = {done(answer, item), conflict(item, theirs), refused(item, message),
 * lost(yes), changed()}.
 */
export class Queue {
  constructor(heard) {
    this.heard = heard;
    this.items = [];
    this.asleep = []; // refused or in conflict: they wait for the person
    this.flying = null;
    this.lost = false;
    this.wait = 1000;
    try {
      this.items = JSON.parse(sessionStorage.getItem(UNSAVED) || "[]");
    } catch {
      this.items = [];
    }
    addEventListener("beforeunload", (event) => {
      if (this.lost && this.all().length) event.preventDefault();
    });
  }

  all() {
    return [...this.asleep, ...this.items];
  }

  keep() {
    try {
      sessionStorage.setItem(UNSAVED, JSON.stringify(this.all()));
    } catch {
      // Full or forbidden: the changes are still in memory.
    }
    this.heard.changed();
  }

  /** The value of a field that is on its way, as {value}; null where none is. */
  waiting(frame, field, delivery = null) {
    const key = keyOf({ frame, field, delivery });
    return this.all().findLast((item) => keyOf(item) === key) ?? null;
  }

  put(item) {
    const key = keyOf(item);
    const before = this.items.findLast((one) => keyOf(one) === key && one !== this.flying);
    const parked = this.asleep.find((one) => keyOf(one) === key);
    if (parked) parked.value = item.value;
    else if (before) before.value = item.value;
    else this.items.push(item);
    this.keep();
    this.pump();
  }

  /** The person chose between theirs and mine: mine = true writes mine over what the other window wrote. */
  settle(item, mine, theirs) {
    this.asleep = this.asleep.filter((one) => one !== item);
    if (mine) this.items.push({ ...item, seen: theirs === undefined ? item.seen : theirs, chosen: true });
    this.keep();
    this.pump();
  }

  /** Resolves once nothing is on its way, or the server is lost. */
  async idle() {
    while (this.flying && !this.lost) await this.flight;
  }

  pump() {
    if (this.flying || !this.items.length) return;
    clearTimeout(this.timer);
    this.flying = this.items[0];
    this.flight = this.send(this.flying).finally(() => {
      this.flying = null;
      this.keep();
      if (this.lost) this.again();
      else this.pump();
    });
  }

  again() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.pump(), this.wait);
    this.wait = Math.min(this.wait * 2, 8000);
  }

  found(yes) {
    if (yes) this.wait = 1000;
    if (this.lost !== yes) return;
    this.lost = !yes;
    this.heard.lost(!yes);
  }

  async send(item) {
    const taken = () => (this.items = this.items.filter((one) => one !== item));
    try {
      const answer = await ask("api/frame", item);
      this.found(true);
      taken();
      this.heard.done(answer, item);
    } catch (error) {
      if (!(error instanceof Refused)) {
        this.found(false);
        return;
      }
      this.found(true);
      taken();
      if (error.status === 409 && same(error.body.theirs, item.value)) {
        this.heard.done(error.body, item); // it had been written; the answer was lost
      } else {
        this.asleep.push(item);
        if (error.status === 409) this.heard.conflict(item, error.body.theirs);
        else this.heard.refused(item, error.message);
      }
    }
  }
}
