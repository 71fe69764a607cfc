// What the desk knows: the frames as the page has them, the roster, what waits to be written; and how it changes.
import { same, say } from "./dom.js";
import { ask, Lost, Queue, Refused } from "./server.js";

const EMPTY = { keep: "", rating: null, players: [], words: "", crop: null, crops: {} };
const POLL = 2000; // milliseconds between looks at what other windows and the render have done
const POLL_HIDDEN = 15000;

/** One desk a window. Parts register with `on(event, action)`; events: frames, roster, render, notices, undo, unsaved,
 * saved, freed, lost, conflict, refused, error. */
export class Desk {
  constructor(court) {
    this.court = court;
    this.version = court.view.version ?? 0;
    this.frames = new Map(court.view.frames.map((frame) => [frame.name, frame]));
    this.roster = { teams: {}, players: [], deliveries: [], references: [], minors: false, undo: "" };
    this.render = { state: "idle", done: 0, of: 0, message: "", stale: 0 };
    this.met = false; // whether the server has answered yet
    this.notices = []; // on the tables, as long as they hold: a problem in a file, a file that a spreadsheet has open
    this.actions = new Map();
    this.queue = new Queue({
      done: (answer, item) => {
        const held = this.frames.get(item.frame)?.held;
        this.take(answer);
        this.tell("saved", item);
        // Taking a player off the list is asked about before; words are saved as they are typed, and of two windows'
        // lists one is taken whole.
        const unasked = item.field === "words" || item.chosen;
        if (held && unasked && !this.frames.get(item.frame).held) this.tell("freed", item.frame);
      },
      conflict: (item, theirs) => this.tell("conflict", item, theirs),
      refused: (item, message) => this.tell("refused", item, message),
      lost: (yes) => this.tell("lost", yes),
      changed: () => this.tell("unsaved"),
    });
  }

  on(event, action) {
    this.actions.set(event, [...(this.actions.get(event) ?? []), action]);
  }

  tell(event, ...values) {
    for (const action of this.actions.get(event) ?? []) action(...values);
  }

  get now() {
    return this.court.current();
  }

  names() {
    return [...this.frames.keys()];
  }

  /** The frame before (-1) or after (1) in the order of the page. */
  beside(name, step) {
    const names = this.names();
    return names[names.indexOf(name) + step];
  }

  /** To the frame before or after; the page holds it back where pictures before would follow each other fast. */
  step(by, repeated = false) {
    if (this.beside(this.now, by)) this.court.move(by, repeated);
    else say(by > 0 ? "This is the last frame." : "This is the first frame.");
  }

  wrote(name) {
    return { ...EMPTY, ...this.frames.get(name)?.wrote };
  }

  value(name, field, delivery = null) {
    const wrote = this.wrote(name);
    return field === "crop" && delivery ? (wrote.crops[delivery] ?? null) : wrote[field];
  }

  /** The addresses of pictures of the whole upright frame, {small, large}; null where there is none. */
  whole(name) {
    const { small, large } = this.frames.get(name)?.before ?? {};
    return large || small ? { small, large: large || small } : null;
  }

  /** How much brighter than `whole` the frame is delivered, as a factor of encoded values (gamma 2.2), 0.5 to 4. */
  brighter(name) {
    const added = this.frames.get(name)?.numbers?.exposure ?? 0;
    return Math.min(4, Math.max(0.5, 2 ** (added / 2.2)));
  }

  /** The box that a delivery shows now, as it was rendered. */
  rendered(name, delivery) {
    return this.frames.get(name)?.deliveries?.[delivery]?.crop ?? null;
  }

  player(team, number) {
    return this.roster.players.find((one) => one.team === team && one.number === number);
  }

  /** A decision: seen at once, and written as soon as the server takes it. */
  change(name, field, value, delivery = null) {
    const seen = this.value(name, field, delivery);
    if (same(seen, value)) return;
    const frame = this.frames.get(name);
    frame.wrote = withValue(this.wrote(name), field, value, delivery);
    frame.stale = true;
    this.redraw([frame]);
    this.queue.put({ frame: name, field, delivery, value, seen });
  }

  /** The value that is written, where the person gave up their own. */
  set(frame, field, value, delivery = null) {
    frame.wrote = withValue(this.wrote(frame.name), field, value, delivery);
    this.redraw([frame]);
  }

  /** A single key, as the page lists it, that works outside of fields. */
  key(key, words, action, shown = key) {
    this.court.keys(key, words, action, shown);
  }

  /** What the person now sees, without a word from the server. */
  redraw(frames) {
    this.court.refresh(frames);
    this.tell("frames", new Set(frames.map((frame) => frame.name)));
  }

  /** Takes what the server says; what is on its way to it stays as the person left it. */
  take(answer) {
    const frames = (answer.frames ?? []).filter((frame) => typeof frame === "object");
    for (const frame of frames) {
      let wrote = { ...EMPTY, ...frame.wrote };
      for (const item of this.queue.all()) {
        if (item.frame === frame.name && item !== this.queue.flying) {
          wrote = withValue(wrote, item.field, item.value, item.delivery);
        }
      }
      frame.wrote = wrote;
      this.frames.set(frame.name, frame);
    }
    if (frames.length) this.redraw(frames);
    if (answer.roster) {
      this.roster = answer.roster;
      this.tell("roster");
    }
    if (typeof answer.undo === "string") this.roster.undo = answer.undo;
    if (answer.render) {
      const before = this.render;
      this.render = answer.render;
      this.tell("render", before);
    }
    if (answer.notices) this.notices = answer.notices;
    this.tell("undo");
    this.tell("notices");
  }

  /** Asks for something at once, after all that waits has been written. Gives the answer, or null and says why. */
  async request(path, body) {
    await this.queue.idle();
    try {
      const answer = await ask(path, body);
      this.queue.found(true);
      this.take(answer);
      return answer;
    } catch (error) {
      if (error instanceof Refused) this.tell("error", error.message);
      else if (error instanceof Lost) {
        this.queue.found(false);
        this.queue.again();
        this.tell("error", "This was not done, since the review program does not answer. Try again when it does.");
      } else throw error;
      return null;
    }
  }

  async start() {
    for (const item of this.queue.items) this.overlay(item);
    await this.look();
    this.queue.pump();
    const next = async () => {
      await this.look();
      setTimeout(next, document.hidden ? POLL_HIDDEN : POLL);
    };
    setTimeout(next, POLL);
    document.addEventListener("visibilitychange", () => document.hidden || this.look());
  }

  overlay(item) {
    const frame = this.frames.get(item.frame);
    if (frame) frame.wrote = withValue(this.wrote(item.frame), item.field, item.value, item.delivery);
  }

  /** Takes in what other windows and the render have done; all there is, as long as the server has not answered once. */
  async look() {
    try {
      if (this.met) {
        const answer = await ask(`api/since/${this.version}`);
        this.take(answer);
        this.version = answer.version; // not that of other answers: they do not have all frames that have changed
      } else this.take({ roster: await ask("api/roster"), render: await ask("api/render") });
      this.met = true;
      this.queue.found(true);
    } catch (error) {
      if (error instanceof Lost) this.queue.found(false);
      else if (!this.met) this.tell("error", error.message);
    }
  }

  /** The name, with number and team, of one who is picked: "7 Ida Berg". Never more than the roster says. */
  called(team, number) {
    const found = this.player(team, number);
    return `${number} ${found ? found.name : "(not in the roster)"}`;
  }

  teamName(team) {
    const word = team === "home" ? "Home" : "Away";
    return this.roster.teams?.[team] ? `${word}: ${this.roster.teams[team]}` : word;
  }
}

function withValue(wrote, field, value, delivery) {
  if (field !== "crop" || !delivery) return { ...wrote, [field]: value };
  const crops = { ...wrote.crops, [delivery]: value };
  if (value === null) delete crops[delivery];
  return { ...wrote, crops };
}

/** A change in words, for lists of what is not saved and for choices between two windows. */
export function worded(item, value = item.value) {
  if (item.field === "players") {
    return value.length ? value.map(([team, number]) => `${team} ${number}`).join("; ") : "nobody";
  }
  if (item.field === "crop") {
    return value ? value.map((part) => part.toFixed(3)).join(" ") : "as the recipe decides";
  }
  if (item.field === "keep") return { no: "no (drop)", always: "always (keep)" }[value] ?? "as the recipe decides";
  if (item.field === "rating") return value === null ? "none" : String(value);
  return value === "" ? "empty" : `“${value}”`;
}

export { say };
