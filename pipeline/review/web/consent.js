// Whether a player may be published. What withdrawing does is said before it is done.
import { button, counted, h } from "./dom.js";
import { say } from "./desk.js";
import { ask } from "./server.js";

export function build(desk) {
  const rows = h("tbody");
  const { ask: question, body } = desk.question;
  let taken = 0; // files that a withdrawal takes back, as far as is known

  async function consider(player) {
    const { team, number, name, publish } = player;
    const who = `${name}, ${team} ${number}`;
    const words = {
      title: publish ? `Withdraw ${who}?` : `May ${who} be published?`,
      body: publish ? withdrawal() : permission(),
      yes: publish ? "Withdraw" : "Yes, consent is given",
    };
    question(words, async () => {
      const answer = await desk.request("api/consent", { team, number, publish: !publish });
      if (!answer) return;
      if (!answer.roster) {
        player.publish = !publish;
        desk.tell("roster");
      }
      if (publish && taken) {
        desk.tell(
          "advice",
          `${who} is withdrawn, but ${counted(taken, "file")} still lie${taken === 1 ? "s" : ""} in the deliveries.`,
        );
      }
      say(
        publish
          ? `${who} is withdrawn. Render what changed to take the pictures out of the deliveries.`
          : `${who} may be published. Render what changed to deliver the pictures.`,
      );
    });
    taken = 0;
    if (publish) taken = await reach(player);
  }

  function withdrawal() {
    return [
      h("p", { class: "desk-reach", role: "status" }, "Looking for the pictures …"),
      h(
        "ul",
        {},
        h("li", {}, "The roster says publish: no from now on, for every frame of this event."),
        h("li", {}, "Frames that name this player leave every delivery with the next render."),
        h(
          "li",
          {},
          "Frames that show but do not name this player are not known to the program: look for them yourself.",
        ),
        h(
          "li",
          {},
          "What has been sent, uploaded or printed already cannot be called back from here: ask whoever has it to remove it.",
        ),
      ),
    ];
  }

  function permission() {
    return [
      h(
        "p",
        {},
        "The roster will say publish: yes, and frames that were held back for this player are delivered with the next " +
          "render, with the name in the caption.",
      ),
      h(
        "p",
        {},
        "Only you can know that consent was given, by a parent where the player is a minor. Local law and the " +
          "organiser's rules decide.",
      ),
    ];
  }

  /** Says how many pictures a withdrawal takes back, and gives how many files. */
  async function reach({ team, number }) {
    const place = body.querySelector(".desk-reach");
    try {
      const answer = await ask("api/consent", { team, number, publish: false, ask: true });
      const names = answer.frames ?? [];
      const more = names.length > 8 ? `, and ${names.length - 8} more` : "";
      place.textContent = names.length
        ? `${counted(names.length, "delivered frame")} (${counted(answer.files ?? names.length, "file")}) ` +
          `will be withdrawn: ${names.slice(0, 8).join(", ")}${more}.`
        : "No delivered frame names this player now.";
      return answer.files ?? names.length;
    } catch {
      place.textContent = "How many pictures it takes back cannot be said now.";
      return 0;
    }
  }

  function draw() {
    const focused = document.activeElement?.dataset?.consent;
    const order = (one) => (one.team === "home" ? 0 : 1);
    const all = [...desk.roster.players].sort((a, b) => order(a) - order(b) || a.number - b.number);
    rows.replaceChildren(
      ...all.map((one) =>
        h(
          "tr",
          { class: one.publish ? null : "desk-withheld-row" },
          h("th", { scope: "row" }, `${one.team} ${one.number} `, h("bdi", {}, one.name)),
          h("td", {}, one.publish ? "may be published" : "not to be published"),
          h(
            "td",
            {},
            button(one.publish ? "Withdraw …" : "Allow …", () => consider(one), {
              "data-consent": `${one.team} ${one.number}`,
              "aria-label": `${one.publish ? "Withdraw" : "Allow"} ${one.team} ${one.number} ${one.name}`,
            }),
          ),
        ),
      ),
    );
    if (focused) [...rows.querySelectorAll("button")].find((one) => one.dataset.consent === focused)?.focus();
    element.hidden = !all.length;
  }

  desk.on("roster", draw);
  const element = h(
    "details",
    { class: "desk-part" },
    h("summary", {}, h("h3", {}, "Consent of players")),
    h(
      "table",
      { class: "desk-roster" },
      h("caption", { class: "desk-unseen" }, "Players and whether they may be published"),
      rows,
    ),
  );
  return { element };
}
