// Who is in the frame, in what order, and what they do; with the caption as it will stand.
import { button, counted, h, later, same, write } from "./dom.js";
import { say } from "./desk.js";
import { ask } from "./server.js";

const MOST = 7; // suggestions at a time: more are not read faster than one more letter is typed
// Letters that Unicode does not take apart into a letter and a mark, as they are typed without them.
const PLAIN = { ł: "l", ø: "o", đ: "d", ð: "d", ħ: "h", ŧ: "t", ı: "i", æ: "ae", œ: "oe", ß: "ss", þ: "th" };
const folded = (text) =>
  text
    .normalize("NFKD")
    .replace(/\p{M}/gu, "")
    .toLowerCase()
    .replace(/[łøđðħŧıæœßþ]/g, (letter) => PLAIN[letter]);

/** Players that a few typed characters may mean, the likeliest first: "7", "h7", "away 12", "ber". */
export function matching(players, typed) {
  const text = folded(typed).trim();
  if (!text) return [];
  const told = /^(h|home|a|away)?\s*#?(\d+)$/.exec(text);
  if (told) {
    const side = told[1] ? (told[1][0] === "h" ? "home" : "away") : null;
    const there = players.filter((one) => (!side || one.team === side) && one.number.startsWith(told[2]));
    return there.sort((a, b) => (b.number === told[2]) - (a.number === told[2]) || a.number - b.number).slice(0, MOST);
  }
  const starts = (one) =>
    folded(one.name)
      .split(/[\s-]+/)
      .some((part) => part.startsWith(text));
  const found = players.filter((one) => folded(one.name).includes(text));
  return found.sort((a, b) => starts(b) - starts(a)).slice(0, MOST);
}

export function build(desk) {
  const chosen = h("ol", { class: "desk-people", "aria-label": "Players from left to right" });
  const warning = h("p", { class: "desk-warning", role: "note", hidden: true });
  const options = h("ul", {
    id: "desk-options",
    class: "desk-options",
    role: "listbox",
    "aria-label": "Players that fit",
    hidden: true,
  });
  const input = h("input", {
    id: "desk-player",
    type: "text",
    role: "combobox",
    autocomplete: "off",
    autocapitalize: "off",
    spellcheck: "false",
    "aria-expanded": "false",
    "aria-controls": "desk-options",
    "aria-autocomplete": "list",
    "aria-describedby": "desk-player-help",
  });
  const numbers = h("div", { class: "desk-numbers" });
  const repeat = button("Same as the frame before", () => again(), {}, "R");
  const words = h("textarea", { id: "desk-words", rows: "2", maxlength: "2000", autocomplete: "off" });
  const caption = h("p", { id: "desk-caption", class: "desk-caption" });
  const problems = h("ul", { class: "desk-problems", hidden: true });
  let fits = [];
  let at = 0;
  let shown = null; // the frame whose words stand in the box
  let asked = 0;

  const players = () => desk.value(desk.now, "players");

  /** Writes the list; a player who must not be published is taken off a frame, which is then delivered, only on a yes. */
  function put(list, done) {
    const name = desk.now;
    const freed = players().filter((one) => hidden(one) && !list.some((other) => same(one, other)));
    if (!freed.length) return store(name, list, done);
    const who = freed.map(([team, number]) => desk.called(team, number)).join(", ");
    return desk.question.ask(
      {
        title: `Is ${who} not in ${name}?`,
        body: [
          h(
            "p",
            {},
            "The roster says publish: no. While the frame names this player it is held back from every delivery.",
          ),
          h(
            "p",
            {},
            "If you take the name off, the frame may be delivered with the next render. A face is still a face.",
          ),
        ],
        yes: "Not in this frame",
      },
      () => store(name, list, done),
    );
  }

  const hidden = ([team, number]) => desk.player(team, number)?.publish === false;

  function store(name, list, done) {
    desk.change(name, "players", list);
    say(
      list.length
        ? `${done}. Left to right: ${list.map(([team, number]) => desk.called(team, number)).join(", ")}.`
        : `${done}. Nobody is named.`,
    );
  }

  function add(team, number) {
    const list = players();
    if (list.some((one) => same(one, [team, number]))) {
      say(`${desk.called(team, number)} is in the list already.`);
    } else put([...list, [team, number]], `${desk.called(team, number)} added`);
    input.value = "";
    suggest();
  }

  function remove(index) {
    const list = players();
    const [team, number] = list[index];
    put(
      list.filter((_, one) => one !== index),
      `${desk.called(team, number)} removed`,
    );
  }

  function move(index, step) {
    const list = [...players()];
    if (!list[index + step]) return;
    [list[index], list[index + step]] = [list[index + step], list[index]];
    put(list, `${desk.called(...list[index + step])} moved`);
    chosen.children[index + step]?.querySelector(step < 0 ? ".desk-left" : ".desk-right")?.focus();
  }

  function again() {
    const before = desk.beside(desk.now, -1);
    if (!before) return say("There is no frame before this one.");
    return put(desk.value(before, "players"), `Players as in ${before}`);
  }

  // ---- the field that finds players

  function suggest() {
    fits = matching([...desk.roster.players], input.value);
    at = 0;
    options.replaceChildren(
      ...fits.map((one, index) =>
        h(
          "li",
          {
            id: `desk-option-${index}`,
            role: "option",
            "aria-selected": String(index === 0),
            onpointerdown: (event) => event.preventDefault(), // focus stays in the field
            onclick: () => add(one.team, one.number),
          },
          h("b", {}, one.number),
          " ",
          h("bdi", {}, one.name),
          h("span", {}, one.team),
          one.publish ? null : h("em", {}, "not to be published"),
        ),
      ),
    );
    if (!fits.length && input.value.trim()) {
      options.replaceChildren(
        h("li", { role: "option", "aria-disabled": "true", "aria-selected": "false" }, "Nobody in the roster fits."),
      );
    }
    const open = Boolean(input.value.trim());
    options.hidden = !open;
    input.setAttribute("aria-expanded", String(open));
    mark();
  }

  function mark() {
    [...options.children].forEach((one, index) =>
      one.setAttribute("aria-selected", String(index === at && fits.length > 0)),
    );
    if (fits.length) input.setAttribute("aria-activedescendant", `desk-option-${at}`);
    else input.removeAttribute("aria-activedescendant");
  }

  input.addEventListener("input", suggest);
  input.addEventListener("blur", () => {
    options.hidden = true;
    input.setAttribute("aria-expanded", "false");
  });
  input.addEventListener("keydown", (event) => {
    if (event.isComposing) return;
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (step && fits.length) {
      at = (at + step + fits.length) % fits.length;
      mark();
    } else if ((event.key === "Enter" || event.key === "," || event.key === ";") && fits.length) {
      add(fits[at].team, fits[at].number);
    } else if (event.key === "Enter" && !input.value.trim()) {
      words.focus();
    } else if (event.key === "Backspace" && !input.value && players().length) {
      remove(players().length - 1);
    } else if (event.key === "Escape" && input.value) {
      input.value = "";
      suggest();
      event.stopPropagation();
    } else return;
    event.preventDefault();
  });

  // ---- words and caption

  /** Writes what stands in the box for the frame it was typed for. */
  const save = later(() => {
    if (shown && words.value.trim() !== desk.value(shown, "words")) desk.change(shown, "words", words.value.trim());
  }, 1500);

  const preview = later(async () => {
    const name = desk.now;
    if (!name) return;
    const turn = ++asked;
    try {
      const answer = await ask("api/caption", { frame: name, players: players(), words: words.value.trim() });
      if (turn !== asked || name !== desk.now) return;
      const none = answer.held ? "No caption: the frame is in no delivery." : "No caption: this recipe writes none.";
      write(caption, answer.caption || none);
      problems.replaceChildren(...(answer.problems ?? []).map((text) => h("li", {}, text)));
    } catch {
      if (turn !== asked) return;
      write(caption, "The caption cannot be shown now. What you type is kept.");
      problems.replaceChildren();
    }
    problems.hidden = !problems.children.length;
  }, 150);

  words.addEventListener("input", () => {
    save();
    preview();
  });
  words.addEventListener("blur", () => save.now());
  words.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && !event.isComposing) {
      event.preventDefault(); // a caption has no lines
      save.now();
      say(`Saved. ${caption.textContent}`);
    }
  });
  addEventListener("pagehide", () => save.now());

  // ---- the roster as numbers to tap

  function drawRoster() {
    numbers.replaceChildren(
      ...["home", "away"].flatMap((team) => {
        const there = desk.roster.players.filter((one) => one.team === team).sort((a, b) => a.number - b.number);
        if (!there.length) return [];
        const id = `desk-numbers-${team}`;
        return [
          h(
            "div",
            { class: "desk-team" },
            h("p", { id }, h("bdi", {}, desk.teamName(team))),
            h(
              "div",
              { class: "desk-row desk-shirts", role: "group", "aria-labelledby": id },
              ...there.map((one) => {
                const shirt = button(
                  one.number,
                  () => {
                    const index = players().findIndex((it) => same(it, [team, one.number]));
                    if (index < 0) add(team, one.number);
                    else remove(index);
                  },
                  {
                    "aria-label": `${one.number} ${one.name}${one.publish ? "" : ", not to be published"}`,
                    title: one.name,
                  },
                );
                shirt.dataset.player = `${team} ${one.number}`;
                shirt.classList.toggle("desk-withheld", !one.publish);
                return shirt;
              }),
            ),
          ),
        ];
      }),
    );
    if (!numbers.children.length)
      numbers.append(h("p", { class: "desk-note" }, "The roster is empty: fill in roster.csv."));
  }

  function drawPeople(name) {
    const list = desk.value(name, "players");
    const focused = [...chosen.querySelectorAll("button")].indexOf(document.activeElement);
    chosen.replaceChildren(
      ...list.map(([team, number], index) => {
        const who = desk.called(team, number);
        const arrow = (step, text, word) =>
          button(text, () => move(index, step), {
            class: step < 0 ? "desk-left" : "desk-right",
            "aria-label": `Move ${who} ${word}`,
            "aria-disabled": index + step < 0 || index + step >= list.length ? "true" : null,
          });
        return h(
          "li",
          {},
          h("span", {}, h("bdi", {}, who), h("small", {}, team)),
          arrow(-1, "‹", "left"),
          arrow(1, "›", "right"),
          button("×", () => remove(index), { class: "desk-remove", "aria-label": `Remove ${who}` }),
        );
      }),
    );
    if (focused >= 0) (chosen.querySelectorAll("button")[Math.min(focused, list.length * 3 - 1)] ?? input).focus();
    for (const shirt of numbers.querySelectorAll("button")) {
      shirt.setAttribute(
        "aria-pressed",
        String(list.some(([team, number]) => `${team} ${number}` === shirt.dataset.player)),
      );
    }
    const withheld = list.filter(hidden).length;
    warning.hidden = !withheld && !(desk.roster.minors && list.length);
    write(
      warning,
      withheld
        ? `${counted(withheld, "player")} here must not be published: this frame is held back from every delivery.`
        : "The shoot is of minors: no name is published.",
    );
  }

  desk.key("p", "Name players: type a number (h7, a12) or a name, then Enter", () => input.focus());
  desk.key("t", "Type what they do", () => words.focus());
  desk.key("r", "Players as in the frame before", again);
  desk.on("roster", drawRoster);

  const element = h(
    "section",
    { class: "desk-part", "aria-labelledby": "desk-who" },
    h("h3", { id: "desk-who" }, "Who, and what they do"),
    chosen,
    warning,
    h(
      "div",
      { class: "desk-field" },
      h("label", { for: "desk-player" }, "Add a player ", h("kbd", { "aria-hidden": "true" }, "P")),
      h("div", { class: "desk-finder" }, input, options),
      h(
        "p",
        { id: "desk-player-help", class: "desk-note" },
        "From left to right: 7, h7, a12 or part of a name, then Enter.",
      ),
    ),
    numbers,
    h("div", { class: "desk-row" }, repeat),
    h(
      "div",
      { class: "desk-field" },
      h("label", { for: "desk-words" }, "What they do ", h("kbd", { "aria-hidden": "true" }, "T")),
      words,
    ),
    h(
      "div",
      { class: "desk-field" },
      h("p", { class: "desk-label" }, "The caption as it will stand"),
      caption,
      problems,
    ),
  );

  return {
    element,
    leave() {
      save.now();
    },
    show(name) {
      if (name !== shown) {
        save.now();
        shown = name;
        words.value = desk.value(name, "words");
        input.value = "";
        suggest();
      } else if (document.activeElement !== words && !desk.queue.waiting(name, "words"))
        words.value = desk.value(name, "words");
      drawPeople(name);
      preview();
    },
  };
}
