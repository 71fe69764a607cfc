"use strict";
(() => {
  const view = document.getElementById("view");
  const links = [...document.querySelectorAll("a[data-n]")];
  if (!view.showModal || !links.length) return; // the links open the files themselves
  const find = (id) => document.getElementById(id);
  const large = find("large"), words = find("words"), place = find("place");
  let at = 0;
  const file = (n) => links[(n + links.length) % links.length].href;
  const show = (n) => {
    at = (n + links.length) % links.length;
    const link = links[at];
    const caption = link.parentElement.querySelector("figcaption");
    large.src = link.href;
    large.alt = link.querySelector("img").alt;
    words.textContent = caption.textContent.trim();
    words.hidden = !words.textContent;
    place.textContent = place.dataset.text.replace("{n}", at + 1).replace("{total}", links.length);
    for (const next of [at + 1, at - 1]) new Image().src = file(next);
  };
  links.forEach((link, n) => link.addEventListener("click", (event) => {
    if (event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return; // a new tab, as anywhere
    event.preventDefault();
    show(n);
    view.showModal();
    find("shut").focus();
  }));
  find("back").addEventListener("click", () => show(at - 1));
  find("on").addEventListener("click", () => show(at + 1));
  find("shut").addEventListener("click", () => view.close());
  view.addEventListener("close", () => { // Esc comes here as well
    large.removeAttribute("src");
    links[at].focus();
  });
  const forward = getComputedStyle(document.documentElement).direction === "rtl" ? "ArrowLeft" : "ArrowRight";
  view.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "ArrowRight" || event.key === "ArrowLeft") show(at + (event.key === forward ? 1 : -1));
    else if (event.key === "Home") show(0);
    else if (event.key === "End") show(links.length - 1);
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
