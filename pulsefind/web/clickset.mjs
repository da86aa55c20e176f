// Which clicks fall where: sets of places, presets, gaps, thinning and the count-in.

import {
  barOfBeat,
  beatEdge,
  guidePlacesIn,
  lastAtOrBefore,
  placesOfBar,
  placeTime,
  usualMeter,
} from "./reading.mjs";

export const PRESETS = [
  { key: "none", name: "No click" },
  { key: "beats", name: "Every beat" },
  { key: "one", name: "Only the 1" },
  { key: "one2", name: "The 1 of every 2nd bar" },
  { key: "one4", name: "The 1 of every 4th bar" },
  { key: "backbeat", name: "2 and 4" },
  { key: "ands", name: "Every &" },
  { key: "guide", name: "The guide's places" },
];

// A click set is { kind, places, gapOn, gapOff, stages }. kind "places" uses the tapped places.
export function clickSet(kind, extra = {}) {
  return { kind, places: [], gapOn: 0, gapOff: 0, stages: null, ...extra };
}

// The places that a set asks for in a bar, as labels. `played` counts bars since the start, loops included.
export function wantedPlaces(reading, set, barIndex, played) {
  if (set.stages) return stagePlaces(reading, set.stages, barIndex, played);
  if (set.gapOn > 0 && set.gapOff > 0 && mod(played, set.gapOn + set.gapOff) >= set.gapOn) return [];
  return kindPlaces(reading, set, barIndex, played);
}

function kindPlaces(reading, set, barIndex, played) {
  const bar = reading.bars[barIndex];
  const counts = Array.from({ length: bar.full }, (_, k) => String(k + 1));
  if (set.kind === "beats") return counts;
  if (set.kind === "one") return ["1"];
  if (set.kind === "one2") return mod(played, 2) === 0 ? ["1"] : [];
  if (set.kind === "one4") return mod(played, 4) === 0 ? ["1"] : [];
  if (set.kind === "backbeat") return counts.filter((_, k) => k % 2 === 1);
  if (set.kind === "ands") return counts.map((count) => `${count}&`);
  if (set.kind === "guide") {
    const guide = reading.plan[barIndex];
    return guide < 0 ? [] : guidePlacesIn(reading, guide, barIndex).map((place) => place.label);
  }
  return set.kind === "places" ? set.places : [];
}

function stagePlaces(reading, stages, barIndex, played) {
  let first = 0;
  for (const stage of stages) {
    if (played < first + stage.bars) return kindPlaces(reading, stage, barIndex, played - first);
    first += stage.bars;
  }
  return kindPlaces(reading, stages.at(-1), barIndex, played - first);
}

function mod(a, b) {
  return ((a % b) + b) % b;
}

// How the clicks of a "hold it" run thin out. The last stage lasts.
export function thinning(bars) {
  return [
    { kind: "beats", bars },
    { kind: "backbeat", bars },
    { kind: "one", bars },
    { kind: "one2", bars },
    { kind: "one4", bars: 2 * bars },
    { kind: "none", bars },
  ];
}

// Clicks with from <= time < to, in order: [{ time, bar, label, accent }]; accent is "one", "beat" or "between".
export function clicksBetween(reading, set, from, to, startBar = 0, barsBefore = 0) {
  const found = [];
  for (
    let k = firstBarEndingAfter(reading, from);
    k < reading.bars.length && reading.bars[k].start < to;
    k += 1
  ) {
    for (const text of wantedPlaces(reading, set, k, barsBefore + k - startBar)) {
      const time = placeTime(reading, k, text);
      if (time !== null && time >= from && time < to)
        found.push({ time, bar: k, label: text, accent: accentOf(text) });
    }
  }
  return found.sort((a, b) => a.time - b.time);
}

function firstBarEndingAfter(reading, t) {
  let low = 0;
  let high = reading.bars.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (reading.bars[middle].end > t) high = middle;
    else low = middle + 1;
  }
  return low;
}

export function accentOf(text) {
  if (text === "1") return "one";
  return /^\d+$/.test(text) ? "beat" : "between";
}

// Count-in before a bar at the tempo that follows: whole bars, and into a pickup bar the counts before its first.
// Times are seconds relative to the bar's start, all negative.
export function countIn(reading, barIndex, wholeBars) {
  if (wholeBars < 1) return [];
  const bar = reading.bars[barIndex];
  const beat = beatEdge(reading, bar.first + 1) - reading.time[bar.first];
  const full = bar.n < bar.full ? usualMeter(reading) : bar.full;
  const total = wholeBars * full + bar.firstCount - 1;
  return Array.from({ length: total }, (_, k) => ({
    time: (k - total) * beat,
    label: String((k % full) + 1),
    accent: k % full === 0 ? "one" : "beat",
  }));
}

// Hits to bring forward within a time window, in order: [{ time, guide }]. `which` is a guide's index, or "plan" for
// the guide in charge of each bar.
export function guideHitsBetween(reading, which, from, to) {
  const found = [];
  reading.guides.forEach((guide, index) => {
    if (which !== "plan" && which !== index) return;
    for (
      let k = lastAtOrBefore(guide.hits.time, from - 1e-9) + 1;
      k < guide.hits.time.length && guide.hits.time[k] < to;
      k += 1
    ) {
      const inCharge = which === index || reading.plan[barAt(reading, guide.hits.time[k])] === index;
      if (guide.hits.on[k] && inCharge) found.push({ time: guide.hits.time[k], guide: index });
    }
  });
  return found.sort((a, b) => a.time - b.time);
}

function barAt(reading, t) {
  return barOfBeat(reading, Math.max(0, lastAtOrBefore(reading.time, t)));
}

// All places that can be tapped in the page: those of the usual bar.
export function tappablePlaces(reading) {
  const full = usualMeter(reading);
  const bar = reading.bars.find((candidate) => candidate.full === full);
  return placesOfBar(bar);
}
