// A question before something that a slip of a key must not do. Its first answer does nothing.
import { button, h } from "./dom.js";

/** One dialog for all questions: ask({title, body, yes}, action). */
export function question() {
  const title = h("h2", { id: "desk-ask-title" });
  const body = h("div", { class: "desk-ask-body" });
  const no = button("Cancel", () => dialog.close());
  const yes = button("", () => {
    dialog.close();
    act?.();
  });
  yes.className = "desk-main";
  let act = null;
  const dialog = h(
    "dialog",
    { class: "desk-ask", "aria-labelledby": "desk-ask-title" },
    title,
    body,
    h("div", { class: "desk-row" }, no, yes),
  );
  dialog.addEventListener("keydown", (event) => event.stopPropagation());
  return {
    dialog,
    body,
    ask(words, action) {
      title.replaceChildren(h("bdi", {}, words.title));
      body.replaceChildren(...words.body);
      yes.textContent = words.yes;
      act = action;
      dialog.showModal();
      no.focus();
    },
  };
}
