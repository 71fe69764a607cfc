// The tools of the review page: they fill #tools of the large view, and the bar below the page.
import { mount } from "./box.js";
import { h } from "./dom.js";
import { Desk } from "./desk.js";
import * as bar from "./bar.js";
import * as consent from "./consent.js";
import * as crop from "./crop.js";
import * as decide from "./decide.js";
import * as light from "./light.js";
import * as naming from "./naming.js";
import { question } from "./question.js";

const KEYS = "court-keys"; // in sessionStorage: whether single keys are off
const AHEAD = [1, 2, -1]; // frames whose pictures are loaded before they are asked for

const desk = new Desk(window.court);
desk.question = question();
const parts = [decide, naming, crop, light, consent].map((part) => part.build(desk));
const below = bar.build(desk);
const kept = new Map(); // pictures that are loaded ahead, held so that they stay decoded

function singleKeys() {
  const box = h("input", { type: "checkbox", id: "desk-single" });
  const set = () => {
    document.documentElement.dataset.keys = box.checked ? "on" : "off";
    sessionStorage.setItem(KEYS, document.documentElement.dataset.keys);
  };
  box.checked = sessionStorage.getItem(KEYS) !== "off";
  box.addEventListener("change", set);
  set();
  return h("label", { class: "desk-check desk-hands" }, box, "Single keys decide (K, D, 0 to 5 …); ? lists them");
}

function show(name) {
  if (!name || !desk.frames.has(name)) return;
  for (const part of parts) part.show?.(name);
}

/** Loads the pictures of the frames around, so that the next one stands there at once. */
function ahead(name) {
  const wanted = new Map();
  for (const step of AHEAD) {
    const frame = desk.frames.get(desk.beside(name, step));
    if (!frame) continue;
    for (const one of [frame.before, ...Object.values(frame.deliveries ?? {}).map((file) => file.after)]) {
      if (one?.large) wanted.set(one.large, kept.get(one.large) ?? null);
    }
  }
  kept.clear();
  for (const [address, known] of wanted) {
    const picture = known ?? new Image();
    if (!known) {
      picture.src = address;
      picture.decode().catch(() => undefined);
    }
    kept.set(address, picture);
  }
}

const tools = document.getElementById("tools");
tools.setAttribute("role", "region");
tools.setAttribute("aria-label", "Decide");
tools.replaceChildren(
  ...parts.map((part) => part.element),
  singleKeys(),
  h("p", { class: "desk-note desk-hands" }, "While you type, Page Down and Page Up show the next and the last frame."),
);
tools.hidden = false;
// Within fields the page's own keys rest; these two go on from frame to frame with the hands where they are.
tools.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && event.target.matches("input, textarea")) {
    event.preventDefault(); // out of the field, not out of the frame
    document.getElementById("frame-name").focus({ preventScroll: true });
    return;
  }
  const by = { PageDown: 1, PageUp: -1 }[event.key];
  if (!by || event.ctrlKey || event.altKey || event.metaKey) return;
  event.preventDefault();
  desk.step(by, event.repeat);
});
document.body.append(below.element, desk.question.dialog);

const large = tools.closest("dialog");
large?.addEventListener("keydown", (event) => {
  if (event.key !== "Escape" || event.defaultPrevented || !mount.shown) return;
  event.preventDefault(); // out of what is drawn, wherever focus is, and not out of the frame
  event.stopPropagation();
  mount.shown.back();
});

function arrived(name) {
  // While the large view is open, all outside it is out of reach: the bar goes along.
  if (large && below.element.parentElement !== large) large.append(below.element);
  show(name);
  ahead(name);
}

document.addEventListener("frame-shown", (event) => arrived(event.detail.name));
document.addEventListener("frame-left", () => {
  for (const part of parts) part.leave?.();
  document.body.append(below.element);
});
desk.on("frames", (names) => names.has(desk.now) && show(desk.now));
desk.on("roster", () => show(desk.now));

await desk.start();
if (desk.now) arrived(desk.now); // the address named a frame, as after a reload
document.documentElement.dataset.desk = "ready";
