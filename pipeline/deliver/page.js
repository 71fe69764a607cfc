"use strict";
(() => {
  const find = (id) => document.getElementById(id);
  const main = find("pictures"), view = find("view");
  const sections = [...main.children];
  const figures = [...main.querySelectorAll("figure")].map((node) => ({
    node,
    when: node.closest("section").dataset.when,
    who: (node.dataset.who || "").split(" "),
    words: "",
  }));
  let shown = [...main.querySelectorAll("a[data-n]")]; // the pictures that can be enlarged, as they stand on the page

  // ---- finding: by words, by player, by time ------------------------------------------------------------
  const text = find("text"), who = find("who"), when = find("when"), found = find("found");
  // Letters that Unicode does not take apart, as who lacks them on the keyboard types them.
  const plain = { ł: "l", ø: "o", đ: "d", ð: "d", ħ: "h", ŧ: "t", ı: "i", ß: "ss", æ: "ae", œ: "oe", þ: "th" };
  const folded = (words) => words.normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase()
    .replace(/[łøđðħŧıßæœþ]/g, (letter) => plain[letter]);
  const names = new Map(who ? [...who.querySelectorAll("optgroup option")].map((o) => [o.value, o]) : []);
  for (const one of figures) {
    const link = one.node.querySelector("a"), file = decodeURIComponent(link.getAttribute("href").split("/").pop());
    const said = one.who.map((at) => names.has(at) ? names.get(at).textContent + " " + names.get(at).parentElement.label : "");
    one.words = folded([one.node.querySelector("figcaption").textContent, link.firstElementChild.alt, file, ...said].join(" "));
  }
  const heading = (title) => Object.assign(document.createElement("h2"), { textContent: title, dir: "auto" });
  const copy = (node) => {
    const other = node.cloneNode(true);
    other.querySelector("figcaption").removeAttribute("id");
    other.querySelector("a").removeAttribute("aria-describedby"); // the caption stands beside it
    return other;
  };
  const group = (title, own) => {
    if (!own.length) return [];
    const section = document.createElement("section"), rows = document.createElement("div");
    rows.className = "rows";
    rows.append(...own.map((one) => copy(one.node)));
    section.append(heading(title), rows);
    return [section];
  };
  const byPlayer = (some) => [
    ...[...names].flatMap(([at, option]) =>
      group(option.textContent + ", " + option.parentElement.label, some.filter((one) => one.who.includes(at)))),
    ...group(found.dataset.rest, some.filter((one) => !one.who.some((at) => names.has(at)))),
  ];
  const search = () => {
    const tokens = folded(text.value).split(/\s+/).filter(Boolean);
    const player = who ? who.value : "", time = when ? when.value : "";
    const some = figures.filter((one) => tokens.every((token) => one.words.includes(token))
      && (!player || player === "each" || one.who.includes(player)) && (!time || one.when === time));
    const fits = new Set(some);
    for (const one of figures) one.node.hidden = !fits.has(one);
    for (const section of sections) section.hidden = !section.querySelector("figure:not([hidden])");
    if (player === "each") main.replaceChildren(...byPlayer(some));
    else if (main.firstElementChild !== sections[0] || main.children.length !== sections.length) main.replaceChildren(...sections);
    shown = [...main.querySelectorAll("figure:not([hidden]) a[data-n]")];
    const all = !tokens.length && !player && !time;
    found.textContent = all ? "" : some.length ? found.dataset.text.replace("{n}", some.length).replace("{total}", figures.length) : found.dataset.none;
  };
  if (figures.length > 1) {
    const form = find("find");
    form.hidden = false;
    form.addEventListener("submit", (event) => event.preventDefault());
    form.addEventListener("input", search);
    search(); // what a browser kept in the fields when it went back
  }

  // ---- one picture large --------------------------------------------------------------------------------
  if (!view.showModal || !shown.length) return; // the links open the files themselves
  const large = find("large"), words = find("words"), place = find("place"), take = find("take");
  let at = 0, opened = null;
  const one = (n) => shown[(n + shown.length) % shown.length];
  const show = (n) => {
    at = (n + shown.length) % shown.length;
    const link = shown[at];
    const caption = link.parentElement.querySelector("figcaption");
    large.src = take.href = link.href;
    large.alt = link.querySelector("img").alt;
    words.textContent = caption.textContent.trim();
    words.hidden = !words.textContent;
    place.textContent = place.dataset.text.replace("{n}", at + 1).replace("{total}", shown.length);
    for (const next of [at + 1, at - 1]) new Image().src = one(next).href;
  };
  main.addEventListener("click", (event) => {
    const link = event.target.closest("a[data-n]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return; // a new tab, as anywhere
    event.preventDefault();
    opened = link;
    show(shown.indexOf(link));
    view.showModal();
    find("shut").focus();
  });
  find("back").addEventListener("click", () => show(at - 1));
  find("on").addEventListener("click", () => show(at + 1));
  find("shut").addEventListener("click", () => view.close());
  view.addEventListener("close", () => { // Esc comes here as well
    large.removeAttribute("src");
    (shown[at] || opened).focus();
  });
  const forward = getComputedStyle(document.documentElement).direction === "rtl" ? "ArrowLeft" : "ArrowRight";
  view.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "ArrowRight" || event.key === "ArrowLeft") show(at + (event.key === forward ? 1 : -1));
    else if (event.key === "Home") show(0);
    else if (event.key === "End") show(shown.length - 1);
    else return;
    event.preventDefault();
  });
  let start = null;
  view.addEventListener("touchstart", (event) => {
    start = event.touches.length === 1 ? event.touches[0] : null; // two fingers enlarge
  }, { passive: true });
  view.addEventListener("touchend", (event) => {
    if (!start) return;
    const end = event.changedTouches[0], x = end.clientX - start.clientX, y = end.clientY - start.clientY;
    start = null;
    if (Math.abs(x) > 50 && Math.abs(x) > 2 * Math.abs(y)) show(at + (x < 0 ? 1 : -1));
  }, { passive: true });
})();
