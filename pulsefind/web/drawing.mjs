// Drawing helpers: elements without markup in strings, and one shape and letter for each guide.

import { SHORT_PX } from "./layout.mjs";

const SVG = "http://www.w3.org/2000/svg";

export const $ = (id) => document.getElementById(id);

const COLOURS = 6;

export function colourOf(guide) {
  return `var(--guide-${guide % COLOURS})`;
}

// <tag> with attributes and children; strings become text, never markup.
export function el(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

export function svg(tag, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

function filled(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "style") for (const [key, part] of Object.entries(value)) node.style.setProperty(key, part);
    else if (name === "on")
      for (const [type, listener] of Object.entries(value)) node.addEventListener(type, listener);
    else if (name.startsWith("aria-")) node.setAttribute(name, String(value));
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, String(value));
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

// The mark of a guide pictures its sound: a stroke for a short one, a wedge for one that washes out, a bar for one that
// holds its note; the higher it stands, the higher the sound. It is drawn around 0, 0, some 10 high and wide.
export function mark(guide, index, size = 1) {
  const y = (2.5 - 5 * guide.mark.height).toFixed(1);
  const shapes = {
    stroke: `M-1.7 ${y - 4.5}h3.4v9h-3.4Z`,
    wedge: `M-4.5 ${y - 4}L5.5 ${y}L-4.5 ${+y + 4}Z`,
    bar: `M-5 ${y - 2}h10v4h-10Z`,
  };
  return svg("path", {
    d: shapes[guide.mark.shape],
    transform: `scale(${size})`,
    class: "mark",
    style: { "--mark": colourOf(index) },
  });
}

export function markIcon(guide, index) {
  const ground = svg("path", { class: "mark-ground", d: "M-7 8h14" });
  return svg(
    "svg",
    { class: "icon", viewBox: "-8 -9 16 18", "aria-hidden": "true" },
    ground,
    mark(guide, index),
  );
}

export function called(reading, guide) {
  return reading.guides[guide].called;
}

// What leads in a bar, in two words or so: "kick", "the band", "alone".
export function leading(reading, bar) {
  const guide = reading.plan[bar];
  if (guide >= 0) return called(reading, guide);
  return reading.kinds[bar] === "band" ? "the band" : "alone";
}

export function timeText(seconds) {
  const hundredths = Math.round(seconds * 100);
  const rest = String(Math.floor(hundredths / 100) % 60).padStart(2, "0");
  return `${Math.floor(hundredths / 6000)}:${rest}.${String(hundredths % 100).padStart(2, "0")}`;
}

export function shortTime(seconds) {
  return `${Math.floor(seconds / 60)}:${String(Math.floor(seconds) % 60).padStart(2, "0")}`;
}

export function listed(words) {
  return words.length < 2 ? (words[0] ?? "") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;
}

export function percent(share) {
  return `${Math.min(99, Math.max(1, Math.round(100 * share)))} %`;
}

export function offsetText(ms) {
  if (Math.abs(ms) < 1.5) return "dead on";
  return `${Math.abs(ms).toFixed(0)} ms ${ms < 0 ? "early" : "late"}`;
}

// "2& and 4&"; longer patterns name the bar.
export function placesText(guide) {
  const parts = [];
  for (let bar = 1; bar <= guide.patternBars; bar += 1) {
    const labels = guide.places.filter((place) => place.bar === bar).map((place) => place.label);
    if (labels.length)
      parts.push(
        guide.patternBars > 1 ? `${listed(labels)} (bar ${bar} of ${guide.patternBars})` : listed(labels),
      );
  }
  return parts.join(", ") || "no steady place in this reading";
}

export function barName(reading, bar) {
  return reading.bars[bar].number === 0 ? "pickup" : `bar ${reading.bars[bar].number}`;
}

export function barsText(reading, first, last) {
  if (first === last) return barName(reading, first);
  if (reading.bars[first].number === 0) return `pickup to bar ${reading.bars[last].number}`;
  return `bars ${reading.bars[first].number}-${reading.bars[last].number}`;
}

export function rangeOf({ from, to }) {
  return { first: Math.min(from, to), last: Math.max(from, to) };
}

// A result that has come is seen at once: with all that belongs to it where there is room.
export function bringUp(note) {
  const shown = window.innerHeight < SHORT_PX ? note : note.closest(".trainer");
  shown.scrollIntoView();
}

export function littleMotion() {
  return window.matchMedia("(prefers-reduced-motion: reduce)").matches;
}

export function setText(id, text) {
  if ($(id).textContent !== text) $(id).textContent = text;
}

function radioId(group, key) {
  return `${group}-${String(key).replace(/\W+/g, "-")}`;
}

export function radio(group, key, name, checked, choose, extra = null) {
  const input = el("input", {
    type: "radio",
    name: group,
    id: radioId(group, key),
    value: key,
    checked,
    on: { change: choose },
  });
  return el("label", { class: "option", for: radioId(group, key) }, input, el("span", {}, extra, name));
}

export function countOf(input, least, most) {
  const value = Math.round(Number(input.value));
  return Number.isFinite(value) ? Math.min(most, Math.max(least, value)) : least;
}
