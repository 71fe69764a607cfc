// A box on the whole frame, drawn by pointer, keys or buttons: a crop, or a neutral patch.
import { button, h, later } from "./dom.js";
import { say } from "./desk.js";

const LEAST = 0.02; // of the frame, that a box measures at least: smaller ones cannot be seen or taken hold of
const STEP = 0.01;
const LARGE = 0.05;
const EDGES = ["nw", "n", "ne", "e", "se", "s", "sw", "w"];
const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
const rounded = (box) => box.map((part) => Math.round(part * 10000) / 10000);

/** The box moved by (dx, dy), which stays inside the frame. */
export function moved([x0, y0, x1, y1], dx, dy) {
  const x = clamp(dx, -x0, 1 - x1);
  const y = clamp(dy, -y0, 1 - y1);
  return [x0 + x, y0 + y, x1 + x, y1 + y];
}

/** A box of this width and height that keeps the point (ax, ay) of it, fractions of the box, where it was. */
export function sized([x0, y0, x1, y1], width, height, ax, ay) {
  const left = x0 + (x1 - x0) * ax - width * ax;
  const top = y0 + (y1 - y0) * ay - height * ay;
  const x = clamp(left, 0, Math.max(0, 1 - width));
  const y = clamp(top, 0, Math.max(0, 1 - height));
  return [x, y, Math.min(1, x + width), Math.min(1, y + height)];
}

/** The box scaled about (ax, ay); ratio = width / height in fractions of the frame where that is fixed, else null. */
export function scaled(box, factor, ratio, ax = 0.5, ay = 0.5) {
  let width = (box[2] - box[0]) * factor;
  let height = ratio ? width / ratio : (box[3] - box[1]) * factor;
  const over = Math.max(width, height);
  const under = Math.min(width, height);
  const fit = over > 1 ? 1 / over : under < LEAST ? LEAST / under : 1;
  width *= fit;
  height *= fit;
  return sized(box, Math.min(1, width), Math.min(1, height), ax, ay);
}

/** The box with its edges where the pointer pulled them: `edge` of EDGES to the point (x, y). */
export function pulled(box, edge, x, y, ratio) {
  const right = edge.includes("e");
  const left = edge.includes("w");
  const lower = edge.includes("s");
  const upper = edge.includes("n");
  const ax = left ? 1 : right ? 0 : 0.5;
  const ay = upper ? 1 : lower ? 0 : 0.5;
  const still = [box[0] + (box[2] - box[0]) * ax, box[1] + (box[3] - box[1]) * ay];
  let width = left ? still[0] - x : right ? x - still[0] : box[2] - box[0];
  let height = upper ? still[1] - y : lower ? y - still[1] : box[3] - box[1];
  width = clamp(width, LEAST, left ? still[0] : right ? 1 - still[0] : 1);
  height = clamp(height, LEAST, upper ? still[1] : lower ? 1 - still[1] : 1);
  if (ratio) {
    if (!left && !right) width = height * ratio;
    else if (!upper && !lower) height = width / ratio;
    else if (width / height > ratio) width = height * ratio;
    else height = width / ratio;
    const room = [
      ax === 0 ? 1 - still[0] : ax === 1 ? still[0] : 2 * Math.min(still[0], 1 - still[0]),
      ay === 0 ? 1 - still[1] : ay === 1 ? still[1] : 2 * Math.min(still[1], 1 - still[1]),
    ];
    const fit = Math.min(1, room[0] / width, room[1] / height);
    width *= fit;
    height *= fit;
  }
  const x0 = still[0] - width * ax;
  const y0 = still[1] - height * ay;
  return [x0, y0, x0 + width, y0 + height].map((part) => clamp(part, 0, 1));
}

/** The largest box inside `box`'s middle that has the ratio, as large as its longer part asks for. */
export function shaped(box, ratio) {
  if (!ratio) return box;
  const area = (box[2] - box[0]) * (box[3] - box[1]);
  const width = Math.sqrt(area * ratio);
  return scaled(sized(box, Math.min(1, width), Math.min(1, width / ratio), 0.5, 0.5), 1, ratio);
}

/**
 * The surface a box is drawn on: the whole frame, the box over it, all around it darker.
 *
 * options = {what: "Crop", draws: may a press beside the box begin a new one, ratio(): width / height in fractions or
 * null, changed(box): called at each movement, done(box): called once a movement is over}
 */
export class Surface {
  constructor(options) {
    this.options = options;
    this.box = [0, 0, 1, 1];
    this.picture = h("img", { alt: "", draggable: "false", decoding: "async" });
    this.frame = h(
      "div",
      {
        class: "desk-box",
        tabindex: "0",
        role: "group",
        "aria-roledescription": "box",
        "aria-describedby": "desk-box-help",
      },
      ...EDGES.map((edge) => h("span", { class: `desk-edge desk-edge-${edge}`, "data-edge": edge })),
    );
    this.hole = h("div", { class: "desk-hole" });
    this.easel = h(
      "div",
      { class: options.draws ? "desk-easel desk-draws" : "desk-easel" },
      this.picture,
      h("div", { class: "desk-shade", "aria-hidden": "true" }, this.hole),
      this.frame,
    );
    this.under = h(
      "div",
      { class: "desk-moves", role: "group", "aria-label": `Move and size: ${options.what}` },
      ...this.buttons(),
    );
    this.element = h(
      "div",
      { class: "desk-surface" },
      this.easel,
      this.under,
      h(
        "p",
        { id: "desk-box-help", class: "desk-unseen" },
        "Arrow keys move it, plus and minus change its size, with Shift in large steps. Enter: ready. Escape: as it was.",
      ),
    );
    this.settle = later(() => this.finish(), 500);
    this.frame.addEventListener("keydown", (event) => this.key(event));
    this.easel.addEventListener("pointerdown", (event) => this.down(event));
  }

  /** width / height in fractions of the frame of an aspect in pixels. */
  ratioOf(aspect) {
    const { naturalWidth: width, naturalHeight: height } = this.picture;
    return aspect && width && height ? (aspect * height) / width : null;
  }

  get ratio() {
    return this.options.ratio?.() ?? null;
  }

  /**
   * Shows a frame: its small picture at once, the large one when it has come.
   *
   * brighter  factor by which the picture is shown brighter than it is: a dark frame is hard to judge
   * fresh  whether the box is merely proposed: a press inside it draws a new one
   */
  async open({ small, large }, alt, box, { brighter = 1, fresh = false } = {}) {
    this.picture.style.filter = brighter === 1 ? "" : `brightness(${brighter})`;
    this.picture.alt = alt;
    if (this.address !== large) {
      this.address = large;
      const whole = new Image();
      whole.src = large;
      if (!whole.complete && small) await this.draw(small);
      else await this.draw(large);
      whole
        .decode()
        .then(() => this.address === large && this.draw(large))
        .then(() => this.address === large && this.options.loaded?.())
        .catch(() => undefined); // the small one stays
    }
    this.place(box);
    this.fresh = fresh;
  }

  async draw(address) {
    if (this.picture.getAttribute("src") === address) return;
    this.picture.src = address;
    await this.picture.decode().catch(() => undefined);
    this.easel.style.setProperty("--shape", this.picture.naturalWidth / this.picture.naturalHeight || 1.5);
  }

  place(box) {
    this.box = rounded(box);
    const [x0, y0, x1, y1] = this.box;
    for (const one of [this.frame, this.hole]) {
      Object.assign(one.style, {
        left: `${x0 * 100}%`,
        top: `${y0 * 100}%`,
        width: `${(x1 - x0) * 100}%`,
        height: `${(y1 - y0) * 100}%`,
      });
    }
    const area = this.easel.getBoundingClientRect();
    this.frame.classList.toggle("desk-small", Math.min((x1 - x0) * area.width, (y1 - y0) * area.height) < 110);
    this.frame.setAttribute("aria-label", `${this.options.what}: ${this.words()}`);
  }

  /** Where it is, in words. */
  words() {
    const [x0, y0, x1, y1] = this.box.map((part) => Math.round(part * 100));
    return `${x1 - x0} % of the width and ${y1 - y0} % of the height, ${x0} % from the left, ${y0} % from the top`;
  }

  to(box) {
    this.place(box);
    this.fresh = false;
    this.moving = true;
    this.options.changed?.(this.box);
  }

  finish() {
    if (!this.moving) return;
    this.moving = false;
    this.options.done?.(this.box);
    say(`${this.options.what}: ${this.words()}`);
  }

  /** The buttons that do what dragging does, for who does not drag. */
  buttons() {
    const nudge = (text, label, change) =>
      button(
        text,
        () => {
          this.to(change(this.box));
          this.settle();
        },
        { "aria-label": label, title: label },
      );
    return [
      nudge("←", "Move left", (box) => moved(box, -STEP, 0)),
      nudge("→", "Move right", (box) => moved(box, STEP, 0)),
      nudge("↑", "Move up", (box) => moved(box, 0, -STEP)),
      nudge("↓", "Move down", (box) => moved(box, 0, STEP)),
      nudge("−", "Smaller", (box) => scaled(box, 1 / 1.05, this.ratio)),
      nudge("+", "Larger", (box) => scaled(box, 1.05, this.ratio)),
    ];
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const step = event.shiftKey ? LARGE : STEP;
    const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    const size = { "+": 1, "=": 1, "-": -1, _: -1, "−": -1 }[event.key];
    if (by) this.to(moved(this.box, ...by));
    else if (size) this.to(scaled(this.box, (1 + step) ** size, this.ratio));
    else if (event.key === "Enter") {
      this.settle.now();
      this.options.ready?.();
    } else if (event.key === "Escape") this.back();
    else return;
    event.preventDefault();
    event.stopPropagation();
    if (by || size) this.settle();
  }

  /** Away, with the box as it was. */
  back() {
    this.settle.drop();
    this.options.back?.();
  }

  at(event) {
    const area = this.easel.getBoundingClientRect();
    return [(event.clientX - area.left) / area.width, (event.clientY - area.top) / area.height];
  }

  down(event) {
    if (event.button !== 0 || !event.isPrimary) return;
    const edge = event.target.dataset?.edge ?? "";
    const inside = this.frame.contains(event.target) && (edge || !this.fresh);
    if (!inside && !this.options.draws) return;
    event.preventDefault();
    this.frame.focus({ preventScroll: true });
    this.easel.setPointerCapture(event.pointerId);
    const [x, y] = this.at(event);
    const before = this.box;
    const begin = !inside ? [x, y] : null;
    const move = (to) => {
      const [px, py] = this.at(to).map((part) => clamp(part, 0, 1));
      if (begin) {
        if (Math.abs(px - x) < LEAST / 2 && Math.abs(py - y) < LEAST / 2) return;
        const drawn = [Math.min(x, px), Math.min(y, py), Math.max(x, px), Math.max(y, py)];
        this.to(sized(drawn, Math.max(LEAST, drawn[2] - drawn[0]), Math.max(LEAST, drawn[3] - drawn[1]), 0, 0));
      } else if (edge) this.to(pulled(before, edge, px, py, this.ratio));
      else this.to(moved(before, this.at(to)[0] - x, this.at(to)[1] - y));
    };
    const drag = new AbortController();
    const over = () => {
      drag.abort();
      this.finish();
    };
    this.easel.addEventListener("pointermove", move, { signal: drag.signal });
    this.easel.addEventListener("pointerup", over, { signal: drag.signal });
    this.easel.addEventListener("pointercancel", over, { signal: drag.signal });
  }
}

/** Shows a surface where the picture stood, or (null) the picture again. One at a time. */
export function mount(surface, closed) {
  const stage = document.getElementById("stage");
  mount.closed?.();
  mount.closed = null;
  mount.shown = surface;
  document.querySelector(".desk-surface")?.remove();
  document.documentElement.toggleAttribute("data-desk-surface", Boolean(surface));
  stage.hidden = Boolean(surface);
  if (surface) {
    stage.before(surface.element);
    mount.closed = closed;
  }
}

/**
 * The opening and closing of a surface by its button: nothing says that there is no picture to draw on, place puts the
 * picture and the box there, begins and ends are told.
 */
export function opening(desk, surface, start, { nothing, place, begins = () => {}, ends = () => {} }) {
  const drawing = {
    open: false,
    async begin() {
      if (!desk.whole(desk.now)) {
        say(nothing);
        return;
      }
      drawing.open = true;
      begins();
      start.setAttribute("aria-expanded", "true");
      mount(surface, () => {
        ends();
        drawing.open = false;
        start.setAttribute("aria-expanded", "false");
      });
      await place();
      surface.frame.focus({ preventScroll: true });
      surface.element.scrollIntoView({ block: "nearest" });
    },
    close() {
      mount(null);
      start.focus({ preventScroll: true });
    },
    turn: () => (drawing.open ? drawing.close() : drawing.begin()),
    focus: () => (drawing.open ? surface.frame.focus() : drawing.begin()),
  };
  return drawing;
}
