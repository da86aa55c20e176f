// One bar, large: its counts, where each hit of a guide lies, how the guide could be misheard, how sure the 1 is.

import { countLine } from "./countline.mjs";
import { called, colourOf, el, listed, offsetText, percent, placesText, svg } from "./drawing.mjs";
import { nearestPlace, patternPhase, usualMeter } from "./reading.mjs";

const LENS_MS = 40;

function usualBar(reading) {
  const full = usualMeter(reading);
  return reading.bars.find((bar) => bar.full === full && bar.n === full) ?? reading.bars[0];
}

// Draw the pattern of a guide (null: only the counts), bar under bar; `misreading` lays the wrong counts over it.
export function drawBar(box, reading, guideIndex, misreading = null) {
  const bar = usualBar(reading);
  const guide = guideIndex === null ? null : reading.guides[guideIndex];
  const rows = guide ? guide.patternBars : 1;
  const width = Math.max(300, box.clientWidth);
  let heard = 0;
  const drawn = Array.from({ length: rows }, (_, row) => {
    const places = guide ? guide.places.filter((place) => place.bar === row + 1) : [];
    const first = heard;
    heard += places.length;
    const title = rows > 1 ? `bar ${row + 1}` : "";
    return countLine(bar, places, guide, guideIndex, { width, heardFirst: misreading ? first : null, title });
  });
  const words = guide
    ? `The ${called(reading, guideIndex)} falls on ${placesText(guide)}`
    : "The counts of a bar";
  const wrong = misreading ? `. Laid over: ${misreading.heardAs}, ${misreading.bpm.toFixed(0)} bpm` : "";
  box.replaceChildren(el("div", { role: "img", "aria-label": words + wrong }, ...drawn));
}

// A lens on each place: its hits over the song, from 40 ms early (left) to 40 ms late (right).
export function drawLenses(box, reading, guideIndex) {
  if (guideIndex === null) {
    box.replaceChildren(el("p", {}, "No guide, so no hits to look at."));
    return;
  }
  const guide = reading.guides[guideIndex];
  const groups = hitsByPlace(reading, guide);
  box.replaceChildren(
    ...guide.places.map((place) =>
      lens(place, guide, groups.get(`${place.bar}:${place.label}`) ?? [], guideIndex),
    ),
  );
}

function hitsByPlace(reading, guide) {
  const groups = new Map();
  guide.hits.time.forEach((t, k) => {
    const place = guide.hits.on[k] ? nearestPlace(reading, t) : null;
    if (!place) return;
    const key = `${patternPhase(reading.bars[place.bar], guide.patternBars) + 1}:${place.label}`;
    if (!groups.has(key)) groups.set(key, []);
    groups
      .get(key)
      .push({ offset: 1000 * place.offset, share: place.bar / Math.max(1, reading.bars.length - 1) });
  });
  return groups;
}

function lens(place, guide, hits, guideIndex) {
  const width = 190;
  const height = 118;
  const x = (ms) => width / 2 + (Math.max(-LENS_MS, Math.min(LENS_MS, ms)) / LENS_MS) * (width / 2 - 8);
  const y = (share) => 8 + share * 78;
  const dots = hits.map((hit) => `M${x(hit.offset).toFixed(1)} ${y(hit.share).toFixed(1)}h0`).join("");
  const scale = [-LENS_MS, 0, LENS_MS].map((ms, k) =>
    svg(
      "text",
      {
        class: "axis",
        x: [4, width / 2, width - 4][k],
        y: 112,
        "text-anchor": ["start", "middle", "end"][k],
      },
      [`${LENS_MS} early`, "0", `${LENS_MS} late`][k],
    ),
  );
  const title = guide.patternBars > 1 ? `${place.label} (bar ${place.bar})` : place.label;
  return el(
    "div",
    { class: "lens" },
    el("h3", {}, title),
    svg(
      "svg",
      {
        width,
        height,
        viewBox: `0 0 ${width} ${height}`,
        "aria-hidden": "true",
        style: { "--mark": colourOf(guideIndex) },
      },
      svg("rect", {
        class: "spread",
        x: x(place.offset - place.spread),
        y: 4,
        width: Math.max(1, x(place.offset + place.spread) - x(place.offset - place.spread)),
        height: 88,
      }),
      svg("line", { class: "zero", x1: x(0), x2: x(0), y1: 4, y2: 96 }),
      svg("path", { class: "dots", d: dots }),
      svg("line", { class: "mean", x1: x(place.offset), x2: x(place.offset), y1: 4, y2: 92 }),
      ...scale,
    ),
    el("p", {}, placeWords(place)),
  );
}

function placeWords(place) {
  return `${offsetText(place.offset)}, give or take ${place.spread.toFixed(0)} ms; there in ${Math.round(100 * place.rate)} % of its bars`;
}

export function drawTable(table, reading, guideIndex) {
  const head = el(
    "thead",
    {},
    el(
      "tr",
      {},
      ...["Place", "There", "On average", "Give or take"].map((text) => el("th", { scope: "col" }, text)),
    ),
  );
  const guide = guideIndex === null ? null : reading.guides[guideIndex];
  const rows = (guide?.places ?? []).map((place) =>
    el(
      "tr",
      {},
      el(
        "th",
        { scope: "row" },
        guide.patternBars > 1 ? `${place.label}, bar ${place.bar} of ${guide.patternBars}` : place.label,
      ),
      el("td", {}, `${Math.round(100 * place.rate)} %`),
      el("td", {}, offsetText(place.offset)),
      el("td", {}, `${place.spread.toFixed(1)} ms`),
    ),
  );
  const caption = guide ? `${called(reading, guideIndex)}: ${guide.like}` : "No guide was found";
  table.replaceChildren(el("caption", {}, caption), head, el("tbody", {}, ...rows));
}

// How sure: ten steps, filled in part, with the words beside them.
export function drawSure(box, data) {
  const { sure } = data.words;
  const rows = [
    ["The 1", data.confidence.one, sure.one],
    ["Tempo, not its half or double", data.confidence.octave, sure.octave],
    ["Meter", data.confidence.meter, sure.meter],
  ];
  box.replaceChildren(
    ...rows.map(([name, share, word]) => {
      const filled = Math.round(10 * share);
      const steps = Array.from({ length: 10 }, (_, k) =>
        el("span", { class: k < filled ? "step full" : "step" }),
      );
      return el(
        "div",
        { class: "sure-row" },
        el("span", { class: "sure-name" }, name),
        el("span", { class: "steps", "aria-hidden": "true" }, ...steps),
        el("b", {}, `${word} (${percent(share)})`),
      );
    }),
    el("p", { class: "hint" }, otherWords(data)),
  );
}

function otherWords(data) {
  if (!data.alternatives.length) return "No other reading came near.";
  return `Next best: ${listed(data.alternatives.slice(0, 2).map((other) => `${other.reading} (${percent(other.probability)})`))}.`;
}
