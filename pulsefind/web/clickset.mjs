// Which clicks fall where: sets of places, presets, gaps, thinning and the count-in.

import { barOfBeat, guidePlacesIn, lastAtOrBefore, placesOfBar, placeTime, usualMeter } from "./reading.mjs";

// A click set is { on, places, gapOn, gapOff, stages }: on is one of the presets that Python hands over, or "places" for
// the tapped ones.
export function clickSet(on, extra = {}) {
  return { on, places: [], gapOn: 0, gapOff: 0, stages: null, ...extra };
}

// The places that a set asks for in a bar, as labels. `played` counts bars since the start, loops included.
export function wantedPlaces(reading, set, barIndex, played) {
  if (set.stages) return stagePlaces(reading, set.stages, barIndex, played);
  if (set.gapOn > 0 && set.gapOff > 0 && mod(played, set.gapOn + set.gapOff) >= set.gapOn) return [];
  return placesOn(reading, set, barIndex);
}

function placesOn(reading, set, barIndex) {
  if (set.on === "places") return set.places;
  const bar = reading.bars[barIndex];
  const preset = reading.presets.find(({ on }) => on === set.on);
  if (mod(bar.number - 1, preset.every) !== 0) return [];
  if (preset.places) return preset.places[bar.full] ?? [];
  const guide = reading.plan[barIndex];
  return guide < 0 ? [] : guidePlacesIn(reading, guide, barIndex).map((place) => place.label);
}

function stagePlaces(reading, stages, barIndex, played) {
  let first = 0;
  for (const stage of stages) {
    if (played < first + stage.bars) return placesOn(reading, stage, barIndex);
    first += stage.bars;
  }
  return placesOn(reading, stages.at(-1), barIndex);
}

function mod(a, b) {
  return ((a % b) + b) % b;
}

// Help that fades, stage by stage for as many bars each. The last stage lasts.
export function thinning(reading, bars) {
  return reading.fading.map((on) => ({ on, bars }));
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

// Count-in before a bar: whole bars, and into a bar that enters later the counts before its first.
// Times are seconds relative to the bar's start, all negative.
export function countIn(reading, barIndex, wholeBars) {
  if (wholeBars < 1) return [];
  const bar = reading.bars[barIndex];
  const total = wholeBars * bar.full + bar.firstCount - 1;
  return Array.from({ length: total }, (_, k) => ({
    time: (k - total) * bar.countInBeat,
    label: String((k % bar.full) + 1),
    accent: k % bar.full === 0 ? "one" : "beat",
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
