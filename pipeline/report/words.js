// What the parts of the page share: elements, and numbers in words.
"use strict";
// eslint-disable-next-line no-unused-vars
const inWords = (() => {
  // An element with attributes and children; a child that is text stays text.
  function make(tag, attributes = {}, ...children) {
    const svg = ["svg", "rect", "line", "path", "g"].includes(tag);
    const element = svg ? document.createElementNS("http://www.w3.org/2000/svg", tag) : document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) {
      if (name === "on") for (const [event, action] of Object.entries(value)) element.addEventListener(event, action);
      else if (value !== null && value !== undefined && value !== false) element.setAttribute(name, value === true ? "" : value);
    }
    element.append(...children.filter((child) => child !== null && child !== undefined));
    return element;
  }

  const MINUS = "\u2212";
  const signed = (value, digits = 2) => {
    const text = Math.abs(value).toFixed(digits);
    return Number(text) === 0 ? text : (value < 0 ? MINUS : "+") + text;
  };
  const shutter = (seconds) => (seconds < 0.3 ? `1/${Math.round(1 / seconds)} s` : `${Number(seconds.toPrecision(2))} s`);
  const octets = (bytes) => (bytes >= 999500 ? `${(bytes / 1e6).toFixed(2)} MB` : `${Math.max(1, Math.round(bytes / 1e3))} kB`);
  const counted = (number, one) => `${number.toLocaleString("en")} ${one}${number === 1 ? "" : "s"}`;
  const clock = (frame) => (frame.time ? frame.time.slice(11, 19) : "time unknown");
  // What the person gave a frame: as it is now where the page can decide, else as it was in the run; null for nothing.
  const rating = (frame) => (frame.wrote ? frame.wrote.rating : frame.rated);
  const STATUS = { delivered: "", failed: "failed", held: "held back", "left out": "left out", undone: "not done" };

  return { make, signed, shutter, octets, counted, clock, rating, STATUS };
})();
