// Keep or drop, and the rating.
import { button, h, press, write } from "./dom.js";
import { say } from "./desk.js";

const KEEP = { always: "Keep", no: "Drop", "": "Recipe decides" };
const KEYS = { always: "K", no: "D", "": "A" };
const NEXT = "court-next-after"; // in sessionStorage

export function build(desk) {
  const keeps = new Map();
  const ratings = new Map();
  const said = h("p", { class: "desk-note" });

  const next = h("input", { type: "checkbox", id: "desk-next" });
  next.checked = sessionStorage.getItem(NEXT) === "yes";
  next.addEventListener("change", () => sessionStorage.setItem(NEXT, next.checked ? "yes" : "no"));

  function decide(value) {
    const name = desk.now;
    if (!name) return;
    desk.change(name, "keep", value);
    say(`${name}: ${value === "" ? "the recipe decides" : value === "no" ? "dropped" : "kept"}`);
    if (next.checked && value !== "") desk.step(1);
  }

  function rate(value) {
    const name = desk.now;
    if (!name) return;
    const rating = desk.value(name, "rating") === value ? null : value;
    desk.change(name, "rating", rating);
    say(rating === null ? `${name}: no rating` : `${name}: rated ${rating}`);
  }

  for (const [value, text] of Object.entries(KEEP)) {
    keeps.set(
      value,
      button(text, () => decide(value), { class: `desk-keep-${value || "auto"}` }, KEYS[value]),
    );
    desk.key(KEYS[value].toLowerCase(), value ? `${text} this frame` : "Let the recipe decide", () => decide(value));
  }
  for (const value of [0, 1, 2, 3, 4, 5]) {
    ratings.set(
      value,
      button(String(value), () => rate(value), { "aria-label": `${value}, rating` }),
    );
    desk.key(String(value), value ? "" : "Rate it; the same again: no rating", () => rate(value), "0 to 5");
  }

  const element = h(
    "section",
    { class: "desk-part", "aria-labelledby": "desk-decide" },
    h("h3", { id: "desk-decide" }, "Deliver it?"),
    h("div", { class: "desk-row desk-keeps", role: "group", "aria-label": "Deliver this frame" }, ...keeps.values()),
    said,
    h(
      "div",
      { class: "desk-row" },
      h("span", { id: "desk-rating" }, "Rating"),
      h("div", { class: "desk-joined", role: "group", "aria-labelledby": "desk-rating" }, ...ratings.values()),
    ),
    h("label", { class: "desk-check" }, next, "After Keep or Drop, go to the next frame"),
  );

  return {
    element,
    show(name) {
      const wrote = desk.wrote(name);
      press(keeps, wrote.keep === "yes" ? "" : wrote.keep);
      press(ratings, wrote.rating);
      write(said, wrote.rating === -1 ? "frames.csv rates it -1: rejected." : "");
      said.hidden = !said.textContent;
    },
  };
}
