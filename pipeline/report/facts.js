// What is said of a frame beside its picture: each number with its unit and how it was measured.
"use strict";
// eslint-disable-next-line no-unused-vars
const frameFacts = (() => {
  const { make, signed, shutter, octets, rating, STATUS } = inWords;

  function fact(words, value, how) {
    return [make("dt", {}, words), make("dd", {}, value, how ? make("span", { class: "how" }, how) : null)];
  }
  const listed = (texts) => make("ul", {}, ...texts.map((text) => make("li", { dir: "auto" }, text)));
  // file  the delivered file that is shown, null for none
  return (frame, file) => {
    const list = make("dl", {});
    const numbers = frame.numbers;
    const parts = [];
    if (frame.status !== "delivered") parts.push(make("p", { class: "status" }, `${(STATUS[frame.status] || frame.status).replace(/^./, (first) => first.toUpperCase())}${frame.reason ? ": " + frame.reason : ""}`));
    if (frame.doubts.length) parts.push(make("h3", {}, "Look at it"), listed(frame.doubts)); // what the mark under its picture stands for
    if (file && file.caption) parts.push(make("p", { class: "caption", dir: "auto" }, file.caption));
    const own = rating(frame);
    if (own !== null) list.append(...fact("Your rating", own < 0 ? "rejected" : `${own} of 5`, "it goes before the one that is suggested"));
    if (frame.rank) {
      const rank = frame.rank;
      const rated = rank.rating > 0 ? `${rank.rating} of 5` : "not rated";
      list.append(...fact("Suggested rating", rated, `${rank.why}; ${rank.score.toFixed(1)} of 100 points${rank.of > 1 ? `, number ${rank.place} of ${rank.of} in its burst` : ""}`));
    }
    const silent = "the file does not say", seen = [frame.camera, frame.iso && `ISO ${frame.iso}`, frame.exposure_time && shutter(frame.exposure_time)].filter(Boolean);
    list.append(...fact("Taken", frame.time ? frame.time.slice(0, 23).replace("T", " ") : "unknown", frame.time ? "local time of the camera, with what clocks adds" : silent));
    list.append(...fact("Camera", seen.join(", ") || "unknown", seen.length ? "as the file says" : silent));
    list.append(...fact("Brightness added", numbers.exposure === null ? "not known" : `${signed(numbers.exposure)} EV`, "mean over the frame"));
    list.append(...fact("White", numbers.white ? `R ${signed(numbers.white[0])}, G ${signed(numbers.white[1])}, B ${signed(numbers.white[2])} EV` : "not known",
      numbers.white_source ? `from: ${numbers.white_source}${numbers.white_sure !== null ? `; ${Math.round(numbers.white_sure * 100)} % sure` : ""}` : ""));
    if (numbers.noise !== null) list.append(...fact("Noise before", `${(numbers.noise * 100).toFixed(1)} %`, "of the signal, one pixel of the sensor, green, where the picture has an 18 % grey"));
    for (const [name, one] of Object.entries(frame.deliveries)) {
      const link = make("a", { href: one.file }, one.path);
      const cut = one.crop.some((value, at) => value !== [0, 0, 1, 1][at]);
      const sure = cut ? numbers.crop_sure[name.split("/")[0]] : undefined;
      list.append(...fact(`File, ${name}`, link, `${one.width} \u00d7 ${one.height} pixels, ${octets(one.bytes)}${one.quality ? `, JPEG quality ${one.quality}` : ""}${sure !== undefined ? `; crop ${Math.round(sure * 100)} % sure of its subject` : ""}`));
      if (one.persons.length) list.append(...fact("Names", one.persons.join(", "), "in caption and metadata"));
    }
    parts.push(list);
    if (frame.decisions.length) parts.push(make("h3", {}, "Decided"), listed(frame.decisions));
    const said = [...new Set([...frame.notices, ...Object.values(frame.deliveries).flatMap((one) => one.notices)])].filter((text) => !frame.doubts.includes(text));
    if (said.length) parts.push(make("h3", {}, "Noticed"), listed(said));
    return parts;
  };
})();
