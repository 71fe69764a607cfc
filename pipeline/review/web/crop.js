// The crop of a frame: for every delivery, or for one.
import { button, h, press, same, write } from "./dom.js";
import { opening, shaped, Surface } from "./box.js";
import { say } from "./desk.js";

export function build(desk) {
  let before = null; // what Escape brings back
  let delivery = null; // null: every delivery
  let turned = false; // the other way up, where the recipe allows both
  const choices = new Map();
  const surface = new Surface({
    what: "Crop",
    ratio: () => surface.ratioOf(aspect()),
    changed: () => told(),
    done: (box) => desk.change(desk.now, "crop", box, delivery),
    ready: () => drawing.close(),
    back: () => {
      desk.change(desk.now, "crop", before, delivery);
      drawing.close();
    },
  });

  const which = h("div", { class: "desk-row desk-joined", role: "group", "aria-label": "Crop for" });
  const start = button("Change the crop", () => drawing.turn(), { "aria-expanded": "false" }, "C");
  const drawing = opening(desk, surface, start, {
    nothing: "There is no picture of the whole frame to draw on.",
    place,
    begins: () => {
      before = desk.value(desk.now, "crop", delivery);
    },
    ends: () => surface.settle.now(),
  });
  const state = h("p", { class: "desk-note" });
  const turn = button(
    "Turn it",
    () => {
      turned = !turned;
      surface.to(shaped(surface.box, surface.ratio));
      surface.finish();
    },
    { hidden: true },
  );
  const reset = button("As the recipe decides", () => {
    desk.change(desk.now, "crop", null, delivery);
    say("The recipe decides the crop.");
    if (drawing.open) place();
  });
  surface.under.append(
    turn,
    button("Done", () => drawing.close(), { class: "desk-main" }, "Enter"),
  );

  /**
   * The aspects that a drawn crop may have: of the delivery, or of all if they agree; [] = any.
   *
   * On an upright frame a wide one may stand too, see steps/crop.box_for.
   */
  function aspects() {
    const lists = cropping()
      .filter((one) => !delivery || one.name === delivery)
      .map((one) => one.aspects);
    const all = lists.every((list) => same(list, lists[0])) ? (lists[0] ?? []) : [];
    const stands = surface.picture.naturalHeight > surface.picture.naturalWidth;
    return stands && all[0] > 1 ? [all[0], 1 / all[0]] : all;
  }

  function aspect() {
    const all = aspects();
    return all[turned && all.length > 1 ? 1 : 0] ?? null;
  }

  const cropping = () => desk.roster.deliveries.filter((one) => one.crop);

  /** The box that a delivery has now: drawn for it, drawn for all, or the recipe's own. */
  function current(name) {
    const wrote = desk.wrote(name);
    const own = delivery ? wrote.crops[delivery] : null;
    return own ?? wrote.crop ?? desk.rendered(name, delivery ?? cropping()[0]?.name) ?? [0, 0, 1, 1];
  }

  function told() {
    if (!drawing.open) return;
    const [x0, y0, x1, y1] = surface.box;
    const [width, height] = desk.frames.get(desk.now)?.size ?? [];
    write(
      state,
      width
        ? `${Math.round((x1 - x0) * width)} × ${Math.round((y1 - y0) * height)} of the frame's ${width} × ${height} pixels.`
        : `${Math.round((x1 - x0) * 100)} % of the frame's width, ${Math.round((y1 - y0) * 100)} % of its height.`,
    );
  }

  async function place() {
    const name = desk.now;
    const box = current(name);
    await surface.open(desk.whole(name), `${name}, the whole frame`, box, { brighter: desk.brighter(name) });
    if (desk.now !== name) return;
    const all = aspects();
    const shape =
      ((box[2] - box[0]) * surface.picture.naturalWidth) / ((box[3] - box[1]) * surface.picture.naturalHeight);
    turned = all.length > 1 && Math.abs(Math.log(shape / all[1])) < Math.abs(Math.log(shape / all[0]));
    turn.hidden = all.length < 2;
    const ratio = surface.ratio;
    const now = (box[2] - box[0]) / (box[3] - box[1]);
    if (ratio && Math.abs(now / ratio - 1) > 0.02) surface.place(shaped(box, ratio));
    told();
  }

  function drawChoices() {
    const all = cropping();
    if (!all.some((one) => one.name === delivery)) delivery = null;
    choices.clear();
    if (all.length > 1) {
      for (const [value, text] of [[null, "Every delivery"], ...all.map((one) => [one.name, one.name])]) {
        choices.set(
          value,
          button(text, () => {
            surface.settle.now();
            delivery = value;
            press(choices, delivery);
            before = desk.value(desk.now, "crop", delivery);
            if (drawing.open) place();
            else show(desk.now);
          }),
        );
      }
    }
    which.replaceChildren(...choices.values());
    which.hidden = !choices.size;
    press(choices, delivery);
    element.hidden = !all.length;
  }

  function show(name) {
    if (drawing.open && surface.shows !== name) {
      before = desk.value(name, "crop", delivery);
      place();
    }
    surface.shows = name;
    const wrote = desk.wrote(name);
    const own = Object.keys(wrote.crops);
    reset.disabled = desk.value(name, "crop", delivery) === null;
    if (!drawing.open) {
      write(
        state,
        own.length
          ? `Drawn by you for ${own.join(", ")}${wrote.crop ? ", and for the others" : ""}.`
          : wrote.crop
            ? "Drawn by you."
            : "The recipe decides.",
      );
    }
  }

  desk.key("c", "Change the crop: arrows move it, + and − size it, Enter is done", () => drawing.focus());
  desk.on("roster", drawChoices);

  const element = h(
    "section",
    { class: "desk-part", "aria-labelledby": "desk-crop" },
    h("h3", { id: "desk-crop" }, "Crop"),
    which,
    h("div", { class: "desk-row" }, start, reset),
    state,
  );

  return {
    element,
    show,
    leave() {
      surface.settle.now();
    },
  };
}
