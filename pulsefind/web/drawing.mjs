// Drawing helpers: elements without markup in strings, and one shape and letter for each guide.

const SVG = "http://www.w3.org/2000/svg";

export const $ = (id) => document.getElementById(id);

// Inner radius 5, centred at 0, 0. Shape and letter carry the meaning; colour only helps.
const SHAPES = [
  "M-5 0a5 5 0 1 0 10 0a5 5 0 1 0 -10 0Z",
  "M-4.6 -4.6H4.6V4.6H-4.6Z",
  "M0 -5.8L5.6 4.4H-5.6Z",
  "M0 -6.2L6.2 0L0 6.2L-6.2 0Z",
  "M-5.6 -4.4H5.6L0 5.8Z",
  "M-1.8 -5.4H1.8V-1.8H5.4V1.8H1.8V5.4H-1.8V1.8H-5.4V-1.8H-1.8Z",
];

export function letterOf(guide) {
  return String.fromCharCode(65 + guide);
}

export function colourOf(guide) {
  return `var(--guide-${guide % SHAPES.length})`;
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

// The mark of a guide. Guides G to L share the shapes of A to F, hollow.
export function mark(guide, size = 1) {
  const hollow = guide >= SHAPES.length;
  return svg("path", {
    d: SHAPES[guide % SHAPES.length],
    transform: `scale(${size})`,
    class: hollow ? "mark hollow" : "mark",
    style: { "--mark": colourOf(guide) },
  });
}

export function markIcon(guide) {
  return svg("svg", { class: "icon", viewBox: "-8 -8 16 16", "aria-hidden": "true" }, mark(guide));
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
  if (Math.abs(ms) < 1.5) return "on the spot";
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
  return `bars ${reading.bars[first].number} to ${reading.bars[last].number}`;
}

// What the bar under a pointer or a focused element is, or null.
export function barUnder(target) {
  const button = target?.closest?.(".bar");
  return button ? Number(button.dataset.bar) : null;
}

export function rangeOf({ from, to }) {
  return { first: Math.min(from, to), last: Math.max(from, to) };
}

export function littleMotion() {
  return window.matchMedia("(prefers-reduced-motion: reduce)").matches;
}

export function setText(id, text) {
  if ($(id).textContent !== text) $(id).textContent = text;
}

export function radio(group, key, name, checked, choose, extra = null) {
  const input = el("input", {
    type: "radio",
    name: group,
    id: `${group}-${key}`,
    value: key,
    checked,
    on: { change: choose },
  });
  return el("label", { class: "option", for: `${group}-${key}` }, input, el("span", {}, extra, name));
}

export function countOf(input, least, most) {
  const value = Math.round(Number(input.value));
  return Number.isFinite(value) ? Math.min(most, Math.max(least, value)) : least;
}
