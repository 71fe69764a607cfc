// What is true of the whole night: what is not saved, what is not rendered, undo; and what another window has changed.
import { button, counted, h, live, write } from "./dom.js";
import { say, worded } from "./desk.js";

const FIELDS = { keep: "keep", rating: "rating", players: "players", words: "words", crop: "crop" };

export function build(desk) {
  const undo = button("Undo", () => back(), {}, "U");
  const render = button("Render what changed", () => begin(), { class: "desk-main" });
  const stop = button("Stop", () => desk.request("api/render/stop", {}), { hidden: true });
  const state = h("p", { class: "desk-state" });
  const progress = h("progress", { hidden: true, "aria-label": "Rendering" });
  const unsaved = h("div", { class: "desk-trouble", hidden: true });
  const lostText = h("p", { role: "alert" });
  const lost = h(
    "div",
    { class: "desk-trouble", hidden: true },
    lostText,
    h(
      "div",
      { class: "desk-row" },
      button("Try now", () => {
        desk.queue.wait = 1000;
        desk.queue.pump();
        desk.look();
      }),
    ),
    h("details", {}, h("summary", {}, "What is not saved yet"), h("ul", { class: "desk-waiting" })),
  );
  let told = 0; // quarters of the render that have been said
  let asked = false; // whether a render was begun in this window, or seen to go on

  async function back() {
    const answer = await desk.request("api/undo", {});
    if (!answer) return;
    say(answer.undone ? `Undone: ${answer.undone}` : "There is nothing to undo.");
    const [only] = answer.frames ?? [];
    if (answer.frames?.length === 1 && only.name !== desk.now) desk.court.show(only.name);
  }

  async function begin() {
    render.disabled = true; // until the server has answered: one press, one run
    const answer = await desk.request("api/render", {});
    asked = Boolean(answer);
    draw();
    if (answer) say("Rendering what changed.");
  }

  const stale = () => Math.max(desk.render.stale ?? 0, desk.court.view.frames.filter((frame) => frame.stale).length);

  function draw() {
    const { state: now, done, of } = desk.render;
    const running = now === "running" || now === "stopping";
    const count = stale();
    render.hidden = running;
    render.disabled = !count && now !== "failed";
    stop.hidden = !running;
    stop.disabled = now === "stopping";
    progress.hidden = !running || !of; // without an end it would merely move to and fro
    if (of) {
      progress.max = of;
      progress.value = done;
    }
    write(state, running ? underWay() : said(count));
  }

  function underWay() {
    const { state: now, done, of, message } = desk.render;
    if (now === "stopping") return "Stopping after the frames in work …";
    const what = message ? message[0].toLocaleUpperCase("en") + message.slice(1) : "Finding out what changed";
    return of ? `${what}: ${done} of ${of} frames` : `${what} …`;
  }

  function said(count) {
    const { state: now, message } = desk.render;
    if (now === "failed") return message;
    if (count) return `${counted(count, "frame")} decided, not rendered yet`;
    if (now === "stopped") return message;
    const rendered = "Everything you decided is rendered";
    const failed = desk.court.view.frames.filter((frame) => frame.status === "failed").length;
    if (failed) return `${rendered}, but ${counted(failed, "frame")} failed: the page says why`;
    return desk.notices.length ? `${rendered}; see the notes here` : rendered;
  }

  desk.on("render", () => {
    const { state: now, done, of, message } = desk.render;
    draw();
    if (now === "running") {
      asked = true;
      const quarter = of ? Math.floor((4 * done) / of) : 0;
      if (quarter > told) say(underWay());
      told = quarter;
    } else if (asked && now !== "stopping") {
      asked = false;
      told = 0;
      say(now === "stopped" || now === "failed" ? message : `Rendered: the new pictures are shown. ${message}`);
    }
  });
  desk.on("frames", draw);
  desk.on("notices", draw);

  desk.on("undo", () => {
    const what = desk.roster.undo;
    undo.disabled = !what;
    undo.title = what ? `Undo: ${what}` : "";
    undo.setAttribute("aria-label", what ? `Undo: ${what}` : "Undo: nothing to undo");
  });

  // ---- what is not saved

  desk.on("lost", (yes) => {
    lost.hidden = !yes;
    write(
      lostText,
      yes
        ? "The review program does not answer. Go on if you like: what you decide is kept in this window, and " +
            "saved when the program is back. Do not close the window."
        : "",
    );
    if (!yes) say("The review program answers again. Everything is saved.");
    waiting();
  });

  function waiting() {
    const list = lost.querySelector("ul");
    const all = desk.queue.all();
    list.replaceChildren(
      ...all.map((item) =>
        h(
          "li",
          {},
          `${item.frame}, ${FIELDS[item.field]}${item.delivery ? ` for ${item.delivery}` : ""}: ${worded(item)}`,
        ),
      ),
    );
    lost.querySelector("details").hidden = !all.length;
  }
  desk.on("unsaved", waiting);

  function trouble(text, ...choices) {
    const one = h("div", { class: "desk-choice", role: "alert" }, h("p", {}, text), h("div", { class: "desk-row" }));
    const close = () => {
      one.remove();
      unsaved.hidden = !unsaved.children.length;
    };
    one.lastChild.append(
      ...choices.map(([words, action]) =>
        button(words, () => {
          close();
          action();
        }),
      ),
    );
    unsaved.append(one);
    unsaved.hidden = false;
    return close;
  }

  desk.on("conflict", (item, theirs) => {
    const what = `${item.frame}, ${FIELDS[item.field]}`;
    trouble(
      `${what}: another window, or somebody in the file, wrote ${worded(item, theirs)} meanwhile. Yours: ${worded(item)}.`,
      ["Take mine", () => desk.queue.settle(item, true, theirs)],
      [
        "Take theirs",
        () => {
          desk.queue.settle(item, false);
          const frame = desk.frames.get(item.frame);
          if (frame) desk.set(frame, item.field, theirs, item.delivery);
        },
      ],
    );
  });

  desk.on("refused", (item, message) =>
    trouble(
      `${item.frame}, ${FIELDS[item.field]} (${worded(item)}) is not saved. ${message}`,
      ["Try again", () => desk.queue.settle(item, true)],
      [
        "Leave it",
        () => {
          desk.queue.settle(item, false);
          const frame = desk.frames.get(item.frame);
          if (frame) desk.set(frame, item.field, item.seen, item.delivery);
        },
      ],
    ),
  );

  // ---- what the server says of the tables, as long as it is so

  const notices = h("ul", { class: "desk-notices", hidden: true, tabindex: "0", "aria-label": "Worth knowing" });
  let heard = "";
  desk.on("notices", () => {
    const all = [...new Set([...(desk.roster.writable ? [desk.roster.writable] : []), ...desk.notices])];
    if (all.join() === heard) return;
    heard = all.join();
    notices.replaceChildren(
      ...all.map((text) => {
        const [said, typed] = text.split("\n"); // what is to be typed stands apart, and is taken whole
        return h("li", {}, said, ...(typed ? [h("code", {}, typed)] : []));
      }),
    );
    notices.hidden = !all.length;
    if (all.length) say(all.join(" "));
  });

  const advice = []; // closes what is advised, once a render has seen to it
  desk.on("advice", (message) =>
    advice.push(trouble(message, ["Render now, to take them out", begin], ["Later", () => undefined])),
  );
  desk.on("render", () => {
    const on = ["running", "stopping"].includes(desk.render.state);
    if (!on && !stale()) for (const close of advice.splice(0)) close();
  });

  desk.on("freed", (name) =>
    trouble(
      `${name} is not held back any more: nobody is named for it who must not be published. If such a player is in ` +
        "the picture, add the player to the frame; otherwise it is delivered with the next render.",
      ["Close", () => undefined],
    ),
  );

  desk.on("error", (message) => trouble(message, ["Close", () => undefined]));

  desk.key("u", "Undo the last change", back);
  addEventListener("keydown", (event) => {
    const typing = /^(INPUT|TEXTAREA)$/.test(event.target.tagName ?? "") && event.target.type !== "checkbox";
    if ((event.ctrlKey || event.metaKey) && !event.shiftKey && event.key.toLowerCase() === "z" && !typing) {
      event.preventDefault();
      back();
    }
  });

  const element = h(
    "section",
    { class: "desk-bar", "aria-label": "Saving and rendering" },
    live,
    lost,
    unsaved,
    notices,
    h(
      "div",
      { class: "desk-bar-row" },
      state,
      progress,
      h(
        "div",
        { class: "desk-row" },
        h(
          "span",
          { class: "desk-turn" },
          button("‹", () => desk.step(-1), { "aria-label": "Earlier frame" }),
          button("›", () => desk.step(1), { "aria-label": "Later frame" }),
        ),
        undo,
        stop,
        render,
      ),
    ),
  );
  draw();
  return { element };
}
