// Small helpers. Text is always set as text, never parsed as markup.

/** An element: h("button", {class: "x", onclick: f, "aria-pressed": "true"}, "text", child, ...). */
export function h(tag, props = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** A button that submits nothing. `key` is the single key that does the same, shown on it. */
export function button(text, action, props = {}, key = "") {
  return h(
    "button",
    { type: "button", onclick: action, "aria-keyshortcuts": key || null, ...props },
    text,
    key ? h("kbd", { "aria-hidden": "true" }, key) : null,
  );
}

/** Marks the one of a group's buttons that holds. Touches only what differs, so that focus and readers stay calm. */
export function press(buttons, chosen) {
  for (const [value, one] of buttons) {
    const now = String(value === chosen);
    if (one.getAttribute("aria-pressed") !== now) one.setAttribute("aria-pressed", now);
  }
}

/** Sets text where it differs. */
export function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export const same = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);

export const counted = (count, word) => `${count.toLocaleString("en")} ${word}${count === 1 ? "" : "s"}`;

/** Calls `action` once nothing has called for `ms` milliseconds; .now() calls a waiting one at once. */
export function later(action, ms) {
  let timer = 0;
  let waiting = null;
  const run = () => {
    clearTimeout(timer);
    const values = waiting;
    waiting = null;
    if (values) action(...values);
  };
  const call = (...values) => {
    waiting = values;
    clearTimeout(timer);
    timer = setTimeout(run, ms);
  };
  call.now = run;
  call.drop = () => {
    clearTimeout(timer);
    waiting = null;
  };
  return call;
}

/** The live region: it stands in the bar, which is always within reach. */
export const live = h("p", { role: "status", class: "desk-unseen" });

/** Says a sentence to who listens. */
export function say(text) {
  live.textContent = live.textContent === text ? `${text}\u00a0` : text; // the same again is said again
}
