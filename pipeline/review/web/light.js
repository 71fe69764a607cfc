// A neutral that the person points at: a patch of the frame, or a chart in it. It sets the white of many frames.
import { button, h, press, write } from "./dom.js";
import { opening, Surface } from "./box.js";
import { say } from "./desk.js";

const BURNT = 250; // of 255, from which a channel of the small picture is taken for clipped: chosen by us, no source
const ENDS = { left: "Left end", right: "Right end", "": "Whole hall" };

/** What speaks against a patch, by the pixels (RGBA) of the picture of the frame; "" where nothing does. */
export function against(pixels) {
  const count = pixels.length / 4;
  if (count < 16) return "The patch is too small: draw it larger.";
  let burnt = 0;
  const sum = [0, 0, 0];
  const squares = [0, 0, 0];
  for (let at = 0; at < pixels.length; at += 4) {
    if (Math.max(pixels[at], pixels[at + 1], pixels[at + 2]) >= BURNT) burnt += 1;
    for (let channel = 0; channel < 3; channel += 1) {
      sum[channel] += pixels[at + channel];
      squares[channel] += pixels[at + channel] ** 2;
    }
  }
  if (burnt / count > 0.01) return "A part of it is burnt out, so its colour is not true: choose a darker place.";
  const mean = sum.map((one) => one / count);
  const spread = squares.map((one, channel) => Math.sqrt(Math.max(0, one / count - mean[channel] ** 2)));
  if (Math.max(...mean) < 25) return "It is very dark: choose a lighter place.";
  if (Math.max(...spread) > 0.2 * Math.max(...mean)) return "It is not even: choose a place of one tone.";
  return "";
}

export function build(desk) {
  let end = "";
  const ends = new Map(
    Object.entries(ENDS).map(([value, text]) => [
      value,
      button(text, () => {
        end = value;
        press(ends, end);
      }),
    ]),
  );
  const state = h("p", { class: "desk-note" });
  const list = h("ul", { class: "desk-references" });
  const verdict = h("p", { class: "desk-warning", hidden: true });
  const surface = new Surface({
    what: "Neutral patch",
    loaded: () => judge(),
    draws: true,
    changed: () => judge(),
    done: () => judge(),
    ready: () => use.focus(),
    back: () => drawing.close(),
  });
  const start = button(
    "Point at something neutral",
    () => drawing.turn(),
    { "aria-expanded": "false" },
    "N",
  );
  const drawing = opening(desk, surface, start, {
    nothing: "There is no picture of the whole frame to point at.",
    place,
  });
  const use = button("Use this patch", () => send({ patch: surface.box }), { class: "desk-main" });
  const by = h(
    "div",
    { class: "desk-patch" },
    h(
      "p",
      { class: "desk-note" },
      "Draw a box on something grey or white that is lit by the lamps alone: a card, a line, a white shirt. " +
        "It sets the white of every frame under this light.",
    ),
    verdict,
    h(
      "div",
      { class: "desk-row" },
      h("span", { id: "desk-end" }, "It is lit by the lamps of"),
      h("div", { class: "desk-joined", role: "group", "aria-labelledby": "desk-end" }, ...ends.values()),
    ),
    h(
      "div",
      { class: "desk-row" },
      use,
      button("Cancel", () => drawing.close()),
    ),
  );
  surface.element.append(by);
  const chart = button("Find the chart in this frame", () => send({ chart: "auto" }));

  const kindOf = (one) => (one.chart ? "chart" : one.patch === "auto" ? "patch, found by the program" : "patch");
  const own = (name) => desk.roster.references.find((one) => one.frame === name);

  async function send(what) {
    const name = desk.now;
    const answer = await desk.request("api/reference", { frame: name, end: end || null, ...what });
    if (!answer) return;
    const kept = desk.roster.references.filter((one) => one.frame !== name);
    if (!answer.roster) {
      desk.roster.references =
        what.patch || what.chart
          ? [...kept, { frame: name, patch: what.patch ?? null, chart: what.chart ?? null, end: end || null }]
          : kept;
      desk.tell("roster");
    }
    say(
      what.patch || what.chart
        ? `${name} is a reference now. Render what changed to see it.`
        : `${name} is no reference any more.`,
    );
    if (drawing.open) drawing.close();
  }

  function judge() {
    const { naturalWidth: width, naturalHeight: height } = surface.picture;
    if (!width) return;
    const [x0, y0, x1, y1] = surface.box;
    const across = Math.max(1, Math.round((x1 - x0) * width));
    const down = Math.max(1, Math.round((y1 - y0) * height));
    const canvas = new OffscreenCanvas(across, down).getContext("2d", { willReadFrequently: true });
    canvas.drawImage(
      surface.picture,
      Math.round(x0 * width),
      Math.round(y0 * height),
      across,
      down,
      0,
      0,
      across,
      down,
    );
    write(verdict, against(canvas.getImageData(0, 0, across, down).data));
    verdict.hidden = !verdict.textContent;
  }

  async function place() {
    const name = desk.now;
    const known = own(name);
    const patch = Array.isArray(known?.patch) ? known.patch : [0.44, 0.44, 0.56, 0.56];
    end = known?.end && known.end in ENDS ? known.end : end;
    press(ends, end);
    await surface.open(desk.whole(name), `${name}, the whole frame`, patch, {
      brighter: desk.brighter(name),
      fresh: !Array.isArray(known?.patch),
    });
    judge();
  }

  function drawList() {
    list.replaceChildren(
      ...desk.roster.references.map((one) =>
        h(
          "li",
          {},
          h("span", {}, `${one.frame}: ${kindOf(one)}, ${(ENDS[one.end ?? ""] ?? one.end).toLocaleLowerCase()}`),
          button("Show", () => desk.court.show(one.frame), { "aria-label": `Show ${one.frame}` }),
        ),
      ),
    );
    list.hidden = !list.children.length;
    if (desk.now) show(desk.now);
  }

  function show(name) {
    if (drawing.open && surface.shows !== name) place();
    surface.shows = name;
    const known = own(name);
    write(
      state,
      known
        ? "This frame is a reference for the white."
        : desk.roster.references.length
          ? ""
          : "No frame is a reference: the program finds the white by itself.",
    );
    state.hidden = !state.textContent;
    away.hidden = !known;
  }

  const away = button("Not a reference", () => send({}), { hidden: true });
  desk.key("n", "Point at something neutral, for the white", () => drawing.focus());
  desk.on("roster", drawList);

  const element = h(
    "section",
    { class: "desk-part", "aria-labelledby": "desk-light" },
    h("h3", { id: "desk-light" }, "White"),
    state,
    h("div", { class: "desk-row" }, start, chart, away),
    list,
  );
  return { element, show };
}
