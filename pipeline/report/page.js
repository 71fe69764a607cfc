// The page of a run. All is drawn from the view, with textContent and attributes only: no text of a file becomes markup.
"use strict";
(() => {
  const view = JSON.parse(document.getElementById("view").textContent);
  const frames = new Map(view.frames.map((frame) => [frame.name, frame]));
  const order = view.frames.map((frame) => frame.name);
  const place = new Map(order.map((name, at) => [name, at]));
  // Under a picture a name stands without its folder, unless two frames would be called the same.
  const last = (name) => name.split("/").pop();
  const called = new Map();
  for (const name of order) called.set(last(name), (called.get(last(name)) || 0) + 1);
  const short = (name) => (called.get(last(name)) > 1 ? name : last(name));
  const LEAST_BETWEEN = 350; // ms between two pictures before: fewer than three changes a second (WCAG 2.2, 2.3.1)
  const state = { delivery: view.deliveries[0] || "", look: "after", wipe: 0, shown: null, from: null, turned: 0, waiting: 0 };
  const by = (id) => document.getElementById(id);
  const { make, counted, clock, rating, STATUS } = inWords;
  const fileOf = (frame) => {
    const name = state.delivery in frame.deliveries ? state.delivery : Object.keys(frame.deliveries)[0];
    return name === undefined ? null : { name, ...frame.deliveries[name] };
  };

  // ---- strips: a burst each, or single frames that follow one another

  const strips = [];
  function layStrips() {
    for (const burst of view.bursts) {
      const names = burst.filter((name) => frames.has(name));
      const last = strips[strips.length - 1];
      if (!names.length) continue;
      if (names.length === 1 && last && last.single) last.names.push(names[0]);
      else strips.push({ names: [...names], single: names.length === 1 });
    }
    const known = new Set(strips.flatMap((strip) => strip.names));
    const rest = order.filter((name) => !known.has(name));
    if (rest.length) strips.push({ names: rest, single: true, rest: true });
    const watch = new IntersectionObserver((entries) => {
      for (const entry of entries) if (entry.isIntersecting) fill(entry.target.strip);
    }, { rootMargin: "800px" });
    const box = by("strips");
    strips.forEach((strip, at) => {
      const all = strip.names.map((name) => frames.get(name)), timed = all.filter((frame) => frame.time);
      const first = timed[0] || all[0], last = timed[timed.length - 1] || all[0];
      const [from, to] = timed.length ? [first.time.slice(0, 10), last.time.slice(0, 10)] : ["", ""];
      const when = from !== to ? `${from} ${clock(first)} to ${to} ${clock(last)}` // over midnight, or days of cameras
        : clock(first) === clock(last) ? clock(first) : `${clock(first)} to ${clock(last)}`;
      const span = timed.length && timed.length < all.length ? `${when}, ${all.length - timed.length} without a time,` : when;
      const words = strip.rest ? counted(strip.names.length, "frame") + " that could not be read"
        : strip.single ? counted(strip.names.length, "single frame") : `Burst of ${strip.names.length}`;
      strip.body = make("div", { class: "cells" });
      strip.element = make("section", { class: "strip", "aria-labelledby": `strip-${at}` },
        make("h3", { id: `strip-${at}` }, make("span", { class: "when" }, strip.rest ? "" : span), " ", make("span", {}, words)), strip.body);
      strip.element.strip = strip;
      strip.body.style.minHeight = `${heightOf(strip)}px`;
      box.append(strip.element);
      watch.observe(strip.element);
    });
  }
  function heightOf(strip) {
    const width = by("strips").clientWidth || 800;
    const whole = strip.names.reduce((sum, name) => sum + (frames.get(name).status === "delivered" ? 206 : 92), 0);
    return Math.ceil(whole / width) * 190;
  }
  function fill(strip) {
    if (strip.filled) return;
    strip.filled = true;
    strip.body.replaceChildren(...strip.names.map((name) => cell(frames.get(name))));
    strip.body.style.minHeight = "";
  }
  // One's own rating, as it is now where the review page knows it; else the one that is suggested.
  function stars(frame) {
    const own = rating(frame);
    if (own !== null) return own < 0 ? "rejected" : `rated ${own}`;
    return frame.rank && frame.rank.rating > 0 ? `${frame.rank.rating} of 5` : "";
  }
  function cell(frame) {
    const file = fileOf(frame);
    const words = [STATUS[frame.status], frame.doubts.length ? "look at it" : "", frame.status === "held" ? "" : stars(frame)].filter(Boolean).join(", ");
    const label = `${frame.name}${words ? ", " + words : ""}`;
    const inside = [];
    if (file) {
      const ribbon = picture(frame.before.small, "", "ribbon");
      if (ribbon) inside.push(ribbon);
      const after = picture(file.after.small, "", "after");
      if (after) after.style.aspectRatio = `${file.width} / ${file.height}`;
      inside.push(after || make("span", { class: "blank" }, "no small picture"));
    } else {
      inside.push(picture(frame.before.small, "", "only") || make("span", { class: "blank" }, frame.status === "held" ? "held back" : "no picture"));
    }
    const marks = make("span", { class: "name" }, make("span", {}, short(frame.name)), words ? make("span", { class: "mark" }, words) : null);
    const button = make("button", { type: "button", class: "cell " + (file ? "given" : "less"), "data-frame": frame.name, "aria-label": label }, ...inside, marks);
    button.dataset.status = frame.status;
    if (file) button.style.setProperty("--ratio", Math.min(2.4, Math.max(0.5, file.width / file.height)));
    return button;
  }
  function picture(address, alt, kind) {
    return address ? make("img", { src: address, alt, class: kind, loading: "lazy", decoding: "async" }) : null;
  }
  function redrawCells(names) {
    for (const old of document.querySelectorAll("#strips .cell")) {
      if (!names.has(old.dataset.frame)) continue;
      const renewed = cell(frames.get(old.dataset.frame)), focused = old === document.activeElement;
      old.replaceWith(renewed);
      if (focused) renewed.focus({ preventScroll: true });
    }
  }

  // ---- choices above the strips

  function layChoices() {
    if (view.deliveries.length < 2) return;
    const group = make("fieldset", {}, make("legend", {}, "Delivery"));
    for (const name of view.deliveries) {
      const input = make("input", { type: "radio", name: "delivery", value: name, checked: name === state.delivery, on: { change: () => choose(name) } });
      group.append(make("label", {}, input, " ", name), " ");
    }
    by("choices").append(group);
  }
  function choose(name) {
    state.delivery = name;
    for (const strip of strips) if (strip.filled) { strip.filled = false; fill(strip); }
    if (state.shown) draw();
  }

  // ---- one frame large

  const dialog = by("frame"), stage = by("stage");
  let pane, wipe, overlay, slider;

  function layStage() {
    wipe = make("div", { class: "wipe" });
    overlay = make("svg", { id: "overlay", viewBox: "0 0 1 1", preserveAspectRatio: "none", "aria-hidden": "true" });
    pane = make("div", { class: "pane" });
    stage.append(pane);
    slider = make("input", { type: "range", min: 0, max: 100, step: 1, value: 0, "aria-label": "Part that is shown as it was before, in percent from the left", on: { input: () => { state.wipe = Number(slider.value); state.look = "after"; see(); } } });
    const looks = [["after", "After"], ["before", "Before"], ["whole", "Whole frame"]].map(([look, words]) =>
      make("button", { type: "button", "data-look": look, "aria-pressed": "false", on: { click: () => { setLook(look); } } }, words));
    by("looks").append(slider, make("div", { class: "buttons" }, ...looks));
  }
  function setLook(look) {
    state.look = look;
    state.wipe = 0;
    draw();
  }

  // Draws the picture of the frame shown: the delivered one with the same part of the frame before under the slider,
  // or the whole frame with the crop and what was found in it.
  function drawStage(frame) {
    const file = fileOf(frame);
    const whole = state.look === "whole" || !file;
    stage.dataset.of = whole ? "frame" : file.name;
    const nothing = frame.status === "held" ? "Held back: no picture is shown." : "There is no picture.";
    pane.replaceChildren();
    for (const old of stage.querySelectorAll(".small")) old.remove();
    overlay.replaceChildren();
    wipe.replaceChildren();
    const before = frame.before.large || frame.before.small;
    by("looks").hidden = !file; // one look only, or none
    if (whole) {
      if (before) {
        const image = make("img", { src: before, alt: `${frame.name}, the whole frame before`, "data-kind": "before" });
        image.addEventListener("load", () => {
          fit(image.naturalWidth, image.naturalHeight, !frame.before.large);
          drawOverlay(frame, image.naturalWidth / image.naturalHeight);
        });
        pane.append(image, overlay);
        if (!frame.before.large) pane.after(make("p", { class: "small" }, "A small picture only: this frame was not rendered."));
      } else pane.append(make("p", { class: "nothing" }, nothing));
      return;
    }
    const [x0, y0, x1, y1] = file.crop;
    const after = make("img", { src: file.after.large || file.after.small, alt: file.alt || `${frame.name}, ${file.name}`, "data-kind": "after" });
    if (file.after.small) after.addEventListener("error", () => { after.src = file.after.small; }, { once: true });
    pane.append(after);
    if (before) {
      const image = make("img", { src: before, alt: "", "data-kind": "before" });
      image.style.left = `${(-x0 / (x1 - x0)) * 100}%`;
      image.style.top = `${(-y0 / (y1 - y0)) * 100}%`;
      image.style.width = `${100 / (x1 - x0)}%`;
      image.style.height = `${100 / (y1 - y0)}%`;
      if (file.turned) image.style.transform = `rotate(${file.turned}deg)`;
      wipe.append(image);
      pane.append(wipe);
    }
    pane.append(overlay);
    fit(file.width, file.height);
  }
  // A small picture is shown at twice its size at the most.
  function fit(width, height, small = false) {
    pane.style.setProperty("--width", width);
    pane.style.setProperty("--height", height);
    pane.style.maxWidth = small ? `${2 * width}px` : "";
    slider.style.setProperty("--width", width);
    slider.style.setProperty("--height", height);
  }
  // A box of the frame, in its fractions; turned back where the frame was turned before it was cut.
  function box(of, kind, words, turned = 0, aspect = 1) {
    const angle = (-turned * Math.PI) / 180;
    const corners = [[of[0], of[1]], [of[2], of[1]], [of[2], of[3]], [of[0], of[3]]].map(([x, y]) => {
      const across = (x - 0.5) * aspect, down = y - 0.5;
      return [(across * Math.cos(angle) - down * Math.sin(angle)) / aspect + 0.5, across * Math.sin(angle) + down * Math.cos(angle) + 0.5];
    });
    const path = `M${corners.map((corner) => corner.map((value) => value.toFixed(5)).join(" ")).join("L")}Z`;
    const outline = (name) => make("path", { d: path, class: `${name} ${kind}`, "vector-effect": "non-scaling-stroke" });
    return make("g", {}, make("title", {}, words), outline("under"), outline("over"));
  }
  function drawOverlay(frame, aspect) {
    overlay.replaceChildren();
    for (const person of frame.people) if (person[4] >= 0.5) overlay.append(box(person, "person", "a person"));
    for (const face of frame.faces) overlay.append(box(face, "face", "a face"));
    for (const ball of frame.balls) if (ball[4] >= 0.5) overlay.append(box(ball, "ball", "a ball"));
    for (const [name, file] of Object.entries(frame.deliveries)) overlay.append(box(file.crop, "crop", `crop of ${name}`, file.turned, aspect));
  }
  function see() {
    const position = state.look === "before" ? 100 : state.wipe;
    wipe.style.clipPath = `inset(0 ${100 - position}% 0 0)`;
    wipe.classList.toggle("part", position > 0 && position < 100);
    wipe.style.setProperty("--at", `${position}%`);
    slider.value = position;
    slider.disabled = state.look === "whole" || !wipe.isConnected;
    slider.setAttribute("aria-valuetext", position === 0 ? "all after" : position === 100 ? "all before" : `${position} percent before`);
    for (const button of document.querySelectorAll("[data-look]")) button.setAttribute("aria-pressed", String(button.dataset.look === (position === 100 && state.look !== "whole" ? "before" : state.look)));
  }
  // Also where the tools of the review show the whole frame.
  const beforeIsSeen = () => state.look !== "after" || state.wipe > 0 || "deskSurface" in document.documentElement.dataset;

  function draw() {
    const frame = frames.get(state.shown);
    if (!frame) return;
    by("frame-name").textContent = frame.name;
    by("frame-place").textContent = `${place.get(frame.name) + 1} of ${order.length}, ${clock(frame)}`;
    const drawn = JSON.stringify([frame.name, frame.status, state.delivery, state.look === "whole", frame.before, frame.people, frame.deliveries]);
    if (drawn !== state.drawn) drawStage(frame); // a decision leaves the picture alone: nothing blinks
    state.drawn = drawn;
    see();
    by("facts").replaceChildren(...frameFacts(frame, fileOf(frame)));
  }
  function show(name) {
    if (!frames.has(name)) return;
    const open = dialog.open;
    clearTimeout(state.waiting); // nothing that waited follows close behind it
    if (state.shown && state.shown !== name) left();
    if (!open) { state.from = document.activeElement; state.look = "after"; state.wipe = 0; }
    state.shown = name;
    draw();
    if (!open) {
      dialog.showModal();
      by("frame-name").focus({ preventScroll: true }); // from frame to frame focus stays where the person works
    }
    history.replaceState(null, "", "#frame=" + encodeURIComponent(name));
    preload(place.get(name) + 1);
    document.dispatchEvent(new CustomEvent("frame-shown", { detail: { name } }));
    state.turned = performance.now(); // once all is drawn, which takes its time on a slow machine
  }
  function preload(at) {
    const next = frames.get(order[at]);
    const file = next && fileOf(next);
    if (file && file.after.large) new Image().src = file.after.large;
  }
  function left() {
    document.dispatchEvent(new CustomEvent("frame-left", { detail: { name: state.shown } }));
  }
  function close() {
    if (dialog.open) dialog.close();
  }
  dialog.addEventListener("close", () => {
    left();
    const name = state.shown;
    state.shown = null;
    history.replaceState(null, "", location.pathname + location.search);
    const back = [...document.querySelectorAll("#strips .cell")].find((one) => one.dataset.frame === name) || state.from;
    if (back && back.isConnected) back.focus();
  });

  // Where the picture before is seen, frames follow one another slowly: pulsing light must not be shown as flicker.
  function turn(name, repeated) {
    const since = performance.now() - state.turned;
    if ((beforeIsSeen() || repeated) && since < LEAST_BETWEEN) {
      if (repeated) return;
      clearTimeout(state.waiting);
      state.waiting = setTimeout(() => { if (state.shown) show(name); }, LEAST_BETWEEN - since);
      return;
    }
    show(name);
  }
  function move(step, repeated) {
    const at = place.get(state.shown) + step;
    if (at >= 0 && at < order.length) turn(order[at], repeated);
  }
  function moveBurst(step) {
    const at = strips.findIndex((strip) => strip.names.includes(state.shown));
    const next = strips[at + step];
    if (next) turn(next.names[0], false);
  }

  // ---- keys

  const keys = new Map();
  // words "" keeps a key out of the list; shown  what the list calls it, where it stands for several.
  function register(key, words, action, shown = key) {
    keys.set(key, { words, action, shown });
  }
  const NAMED = { ArrowLeft: "\u2190", ArrowRight: "\u2192", ArrowUp: "\u2191", ArrowDown: "\u2193", Escape: "Esc", " ": "Space" };
  register("ArrowRight", "A frame later", (event) => (state.shown ? move(1, event.repeat) : false));
  register("ArrowLeft", "A frame earlier", (event) => (state.shown ? move(-1, event.repeat) : false));
  register("ArrowDown", "The next burst", (event) => (state.shown && !event.repeat ? moveBurst(1) : false));
  register("ArrowUp", "The burst before", (event) => (state.shown && !event.repeat ? moveBurst(-1) : false));
  register("b", "Before and after", (event) => { if (!state.shown || event.repeat) return false; setLook(state.look === "before" ? "after" : "before"); });
  register("w", "The whole frame with its crop", (event) => { if (!state.shown || event.repeat) return false; setLook(state.look === "whole" ? "after" : "whole"); });
  register("Escape", "Close", () => false);
  register("?", "This list", () => listKeys());
  function listKeys() {
    by("key-list").replaceChildren(...[...keys.values()].filter((one) => one.words).flatMap((one) => [make("dt", {}, make("kbd", {}, NAMED[one.shown] || one.shown)), make("dd", {}, one.words)]));
    by("keys").showModal();
  }
  by("keys-close").addEventListener("click", () => by("keys").close());
  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || by("keys").open) return;
    const field = event.target.closest("input, textarea, select, [contenteditable]");
    if (field && event.key !== "Escape") return;
    if (event.key.length === 1 && event.key !== "?" && document.documentElement.dataset.keys === "off") return; // WCAG 2.2, 2.1.4
    const one = keys.get(event.key);
    if (one && one.action(event) !== false) event.preventDefault();
  });
  document.addEventListener("click", (event) => {
    const to = event.target.closest("[data-frame], [data-move]");
    if (!to) return;
    if (to.dataset.frame !== undefined) {
      event.preventDefault();
      show(to.dataset.frame);
    } else if (to.dataset.move === "close") close();
    else move(Number(to.dataset.move), false);
  });

  // ---- from outside

  function refresh(changed) {
    const light = (frame) => JSON.stringify([frame.light, ...Object.values(frame.deliveries).flatMap((file) => [file.light, file.light_before])]);
    let relit = false;
    for (const frame of changed) {
      if (!frames.has(frame.name)) continue;
      relit ||= light(frame) !== light(frames.get(frame.name));
      frames.set(frame.name, frame);
      view.frames[place.get(frame.name)] = frame;
      if (state.shown === frame.name) draw();
    }
    redrawCells(new Set(changed.map((frame) => frame.name)));
    if (chart && relit) chart.renew();
  }
  window.court = { view, show, move, close, refresh, keys: register, current: () => state.shown, frame: (name) => frames.get(name), redraw: draw, make };

  layStage();
  layChoices();
  layStrips();
  const chart = order.length ? matchChart(by("chart"), frames, strips, make, show) : null;
  // On paper nothing can be unfolded or scrolled to.
  const folded = new Set();
  addEventListener("beforeprint", () => {
    strips.forEach(fill);
    for (const part of document.querySelectorAll("details.need:not([open])")) {
      folded.add(part);
      part.open = true;
    }
  });
  addEventListener("afterprint", () => {
    for (const part of folded) part.open = false;
    folded.clear();
  });
  function fromAddress() {
    const found = /^#frame=(.+)$/.exec(location.hash);
    if (found) try { show(decodeURIComponent(found[1])); } catch { /* no name */ }
    const fold = location.hash.length > 1 && !found ? document.getElementById(location.hash.slice(1)) : null;
    if (fold && fold.tagName === "DETAILS") fold.open = true;
  }
  addEventListener("hashchange", fromAddress);
  fromAddress();
})();
