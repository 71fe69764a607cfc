// The match along time: how bright each picture is and how warm its light, before and after, on the same scales.
"use strict";
// eslint-disable-next-line no-unused-vars
function matchChart(figure, frames, strips, make, open) {
  const LANES = [
    { of: "brightness", when: "before", words: "Brightness before" },
    { of: "brightness", when: "after", words: "Brightness after" },
    { of: "warmth", when: "before", words: "Colour before" },
    { of: "warmth", when: "after", words: "Colour after" },
  ];
  const LEAST = { brightness: 0.5, warmth: 0.5 }; // EV up and down that are shown at least
  const MARGIN = { top: 26, right: 58, bottom: 26, gap: 14 };
  const dark = matchMedia("(prefers-color-scheme: dark)");
  let points = [], places = [], middle = {}, range = {}, cursor = 0, printing = false;

  const told = (light) => (light ? { brightness: light[0], warmth: light[1] - light[2], red: light[1], blue: light[2], burnt: light[3] } : null);
  const quantile = (sorted, share) => sorted[Math.min(sorted.length - 1, Math.max(0, Math.round(share * (sorted.length - 1))))];
  const median = (values) => (values.length ? quantile([...values].sort((a, b) => a - b), 0.5) : 0);
  const values = (when, of) => points.map((point) => point[when]).filter(Boolean).map((light) => light[of]);

  function read() {
    points = [];
    places = [];
    let at = 0;
    for (const { names, single } of strips) {
      for (const name of names) {
        const frame = frames.get(name);
        const file = Object.values(frame.deliveries)[0];
        const after = file ? told(file.light) : null;
        points.push({ name, frame, before: told((after && file.light_before) || frame.light), after });
        places.push(at);
        at += 1;
      }
      at += single ? 0.15 : 0.7;
    }
    places = places.map((place) => (place + 0.5) / Math.max(1, at));
    for (const of of ["brightness", "warmth"]) {
      for (const when of ["before", "after"]) middle[of + when] = median(values(when, of));
      const far = ["before", "after"].flatMap((when) => values(when, of).map((value) => Math.abs(value - middle[of + when]))).sort((a, b) => a - b);
      range[of] = Math.max(LEAST[of], Math.ceil((far.length ? quantile(far, 0.98) : 0) * 10) / 10);
    }
  }

  // Of bursts of three and more: from the least to the most, the middle one of all bursts.
  function within(when, of) {
    const spreads = [];
    const at = new Map(points.map((point) => [point.name, point]));
    for (const { names, single } of strips) {
      if (single) continue;
      const found = names.map((name) => at.get(name)).filter((point) => point.before && point.after).map((point) => point[when][of]);
      if (found.length >= 3) spreads.push(Math.max(...found) - Math.min(...found));
    }
    return { many: spreads.length, spread: median(spreads) };
  }
  function overall(when, of) {
    const sorted = points.filter((point) => point.before && point.after).map((point) => point[when][of]).sort((a, b) => a - b);
    return sorted.length ? quantile(sorted, 0.95) - quantile(sorted, 0.05) : 0;
  }

  // ---- what is written

  const canvas = make("canvas", { "aria-hidden": "true" });
  const slider = make("div", { class: "lanes", role: "slider", tabindex: 0, "aria-label": "Frame along the match; Enter opens it", "aria-valuemin": 1 }, canvas);
  const reading = make("p", { class: "reading" });
  const summary = make("figcaption", {});
  const how = make("details", { class: "note" }, make("summary", {}, "How this is measured"),
    make("p", {}, "Each dot is a frame, evenly spaced; bursts stand a little apart, and the time is written beneath. Brightness is the mean of log2 of the linear light (IEC 61966-2-1) of the picture as it is shown, where it is neither black nor burnt out, in EV: one EV is a doubling. Colour is log2 R/G less log2 B/G of the mean colours: up is warmer, down is cooler, and the dots are painted with it, much exaggerated. Before is the same part of the frame as the camera balanced it. Zero is the middle of all frames of that row; all rows of a kind have one scale."),
    make("p", {}, "What a picture shows counts too: a dark bench is darker than a bright floor, and that is no fault. Within a burst the scene is one, so what differs is the light and what moved: players, or the camera. Of frames that were even a few hundredths stay, and as a finished picture has more contrast than a plain one, they may grow though no frame was changed against another."));

  function words(at) {
    const point = points[at];
    const off = (value, more, less) => (Math.abs(value) < 0.005 ? `as ${more} as the middle` : `${Math.abs(value).toFixed(2)} EV ${value > 0 ? more + "er" : less + "er"}`);
    const parts = [["before", point.before], ["after", point.after]].map(([when, light]) =>
      light ? `${when} ${off(light.brightness - middle["brightness" + when], "bright", "dark")}, ${off(light.warmth - middle["warmth" + when], "warm", "cool")}` : `${when} ${point.frame.status === "delivered" || when === "before" ? "not measured" : "there is none"}`);
    return `${point.name}, ${point.frame.time ? point.frame.time.slice(11, 19) : "time unknown"}: ${parts.join("; ")}`;
  }
  // The two figures that tell whether the evening is even, as a table.
  function summarise() {
    const both = points.filter((point) => point.before && point.after).length;
    const parts = [];
    if (both) {
      const inside = ["brightness", "warmth"].flatMap((of) => [within("before", of), within("after", of)]);
      const row = (words, how, spreads) => make("tr", {}, make("th", { scope: "row" }, words, make("span", { class: "how" }, how)), ...spreads.map((one) => make("td", {}, one.toFixed(2))));
      const head = (words, span) => make("th", { scope: span ? "colgroup" : "col", colspan: span }, words);
      const rows = [row("Over the match", "between the fifth lowest and fifth highest of a hundred frames", ["brightness", "warmth"].flatMap((of) => [overall("before", of), overall("after", of)]))];
      const many = inside[0].many;
      if (many) rows.unshift(row("Within a burst", `from the lowest to the highest frame, with what moved in them; ${many === 1 ? "of one burst" : `the middle one of ${many.toLocaleString("en")} bursts`}`, inside.map((one) => one.spread)));
      parts.push(make("table", { class: "spread" }, make("caption", {}, "How far the frames lie apart, EV"),
        make("thead", {}, make("tr", {}, make("td", { rowspan: 2 }), head("brightness", 2), head("colour", 2)), make("tr", {}, ...["before", "after", "before", "after"].map((words) => head(words)))),
        make("tbody", {}, ...rows)));
    }
    const without = points.length - points.filter((point) => point.before || point.after).length;
    if (without === points.length) parts.push(make("p", {}, "No light was measured."));
    else if (both < points.length) {
      const many = (number) => number.toLocaleString("en");
      const given = points.filter((point) => point.frame.status === "delivered").length, unmeasured = given - both;
      const rest = [given < points.length ? `${many(points.length - given)} not delivered` : "", unmeasured > 0 ? `${many(unmeasured)} delivered but not measured` : ""].filter(Boolean);
      parts.push(make("p", {}, `${many(both)} of ${many(points.length)} frames are measured before and after; ${rest.join(", ")}.`));
    }
    summary.replaceChildren(...parts);
  }

  // ---- what is drawn

  function colours() {
    if (printing) return { ink: "#000", line: "#888", soft: "#333", band: "#eee", lamp: 120 };
    const style = getComputedStyle(figure);
    const of = (name) => style.getPropertyValue(name).trim();
    return { ink: of("--ink"), line: of("--line"), soft: of("--soft"), band: of("--sheet"), lamp: dark.matches ? 150 : 120 };
  }
  // Much exaggerated, so that it can be seen at all.
  function painted(light, when, lamp) {
    const red = light.red - middleOf("red", when), blue = light.blue - middleOf("blue", when);
    const channel = (stops) => Math.round(Math.min(255, Math.max(0, lamp * 2 ** stops)));
    return `rgb(${channel(1.6 * red)} ${channel(-0.5 * (red + blue))} ${channel(1.6 * blue)})`;
  }
  const middles = new Map();
  function middleOf(of, when) {
    const key = of + when;
    if (!middles.has(key)) middles.set(key, median(values(when, of)));
    return middles.get(key);
  }
  function draw() {
    const width = figure.clientWidth, tall = width < 600 ? 58 : 76;
    if (!width || !points.length) return;
    const height = LANES.length * (tall + MARGIN.top) + MARGIN.gap + MARGIN.bottom;
    const scale = devicePixelRatio || 1;
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(height * scale);
    canvas.style.width = `${width}px`;
    canvas.style.height = `${height}px`;
    const pen = canvas.getContext("2d");
    pen.scale(scale, scale);
    const colour = colours(), plot = width - MARGIN.right, step = plot / Math.max(1, points.length);
    const font = (size) => `${size}px ${getComputedStyle(figure).fontFamily}`;
    const radius = Math.min(4.5, Math.max(step < 0.4 ? 0.9 : 1.3, step * 0.36));
    let top = 0;
    for (const [row, lane] of LANES.entries()) {
      top += MARGIN.top + (row === 2 ? MARGIN.gap : 0);
      const zero = top + tall / 2, unit = (tall / 2 - 5) / range[lane.of];
      pen.fillStyle = colour.band;
      pen.fillRect(0, top, plot, tall);
      pen.strokeStyle = colour.line;
      pen.lineWidth = 1;
      pen.globalAlpha = 0.6;
      pen.beginPath();
      pen.moveTo(0, Math.round(zero) + 0.5);
      pen.lineTo(plot, Math.round(zero) + 0.5);
      pen.stroke();
      pen.globalAlpha = 1;
      pen.font = font(14);
      pen.fillStyle = colour.ink;
      pen.textBaseline = "alphabetic";
      pen.textAlign = "left";
      pen.fillText(lane.words, 0, top - 6);
      pen.font = font(12);
      pen.fillStyle = colour.soft;
      pen.textAlign = "left";
      pen.textBaseline = "middle";
      const named = lane.of === "warmth" ? ["warm", "cool"] : ["bright", "dark"];
      pen.fillText(`+${range[lane.of].toFixed(1)} EV`, plot + 6, top + 8);
      pen.fillText("0", plot + 6, zero);
      pen.fillText(`\u2212${range[lane.of].toFixed(1)} EV`, plot + 6, top + tall - 8);
      pen.textAlign = "right";
      pen.textBaseline = "alphabetic";
      pen.fillText(`up ${named[0]}, down ${named[1]}`, plot, top - 6);
      if (!printing && points[cursor]) {
        pen.strokeStyle = colour.ink;
        pen.globalAlpha = 0.5;
        pen.beginPath();
        pen.moveTo(Math.round(places[cursor] * plot) + 0.5, top);
        pen.lineTo(Math.round(places[cursor] * plot) + 0.5, top + tall);
        pen.stroke();
        pen.globalAlpha = 1;
      }
      const any = points.some((point) => point[lane.when]);
      if (!any) {
        pen.textAlign = "center";
        pen.textBaseline = "middle";
        pen.fillText("not measured", plot / 2, zero);
      }
      for (const [at, point] of points.entries()) {
        const light = point[lane.when];
        if (!light) continue;
        const off = light[lane.of] - middle[lane.of + lane.when];
        const x = places[at] * plot, y = zero - Math.max(-range[lane.of], Math.min(range[lane.of], off)) * unit;
        pen.beginPath();
        pen.arc(x, y, radius, 0, 2 * Math.PI);
        pen.fillStyle = lane.of === "warmth" ? painted(light, lane.when, colour.lamp) : colour.ink;
        if (lane.when === "before" && !point.after && radius > 2) {
          pen.strokeStyle = pen.fillStyle;
          pen.lineWidth = 1.2;
          pen.stroke();
        } else pen.fill();
      }
      top += tall;
    }
    pen.font = font(12);
    pen.fillStyle = colour.soft;
    pen.textBaseline = "top";
    pen.textAlign = "left";
    let free = 0, last = "";
    for (const [at, text] of times().entries()) {
      const x = places[at] * plot, wide = pen.measureText(text).width;
      if (x < free || !text || text === last || x + wide > plot) continue;
      pen.fillText(text, x - radius, top + 6);
      free = x + wide + 30;
      last = text;
    }
  }
  // What stands beneath each frame: the time of day, with the date where the frames are of several nights.
  function times() {
    const all = points.map((point) => point.frame.time || "").filter(Boolean).sort();
    const days = all.length && Date.parse(all[all.length - 1]) - Date.parse(all[0]) > 86400000;
    return points.map((point) => (point.frame.time || "").slice(days ? 0 : 11, 16).replace("T", " "));
  }
  function point(at) {
    cursor = at;
    reading.textContent = words(at);
    slider.setAttribute("aria-valuenow", at + 1);
    slider.setAttribute("aria-valuetext", reading.textContent);
    draw();
  }
  function nearest(event) {
    const box = canvas.getBoundingClientRect();
    const x = (event.clientX - box.left) / (box.width - MARGIN.right);
    let best = 0;
    for (let at = 1; at < places.length; at += 1) if (Math.abs(places[at] - x) < Math.abs(places[best] - x)) best = at;
    return best;
  }
  function renew() {
    middles.clear();
    read();
    slider.setAttribute("aria-valuemax", points.length);
    summarise();
    if (points.length) point(Math.min(cursor, points.length - 1));
  }
  canvas.addEventListener("pointermove", (event) => { if (points.length) point(nearest(event)); });
  canvas.addEventListener("click", (event) => { if (points.length) open(points[nearest(event)].name); });
  slider.addEventListener("keydown", (event) => {
    const last = points.length - 1, far = Math.max(1, Math.round(points.length / 20));
    const to = { ArrowRight: cursor + 1, ArrowUp: cursor + 1, ArrowLeft: cursor - 1, ArrowDown: cursor - 1, PageUp: cursor + far, PageDown: cursor - far, Home: 0, End: last }[event.key];
    if (to !== undefined) point(Math.min(last, Math.max(0, to)));
    else if (event.key === "Enter") open(points[cursor].name);
    else return;
    event.preventDefault();
  });
  figure.replaceChildren(slider, reading, summary, how);
  new ResizeObserver(draw).observe(figure);
  dark.addEventListener("change", draw);
  addEventListener("beforeprint", () => { printing = true; draw(); });
  addEventListener("afterprint", () => { printing = false; draw(); });
  renew();
  return { renew };
}
