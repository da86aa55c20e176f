// Judging taps: where the 1 was heard, how a player holds the time, and the delay of the device.

import { lastAtOrBefore, nearestPlace, placeTime, placesOfBar } from "./reading.mjs";

const MIN_TAPS = 8;

export function median(values) {
  const sorted = [...values].sort((a, b) => a - b);
  const middle = sorted.length >> 1;
  return sorted.length % 2 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
}

// The device's delay from taps on even clicks: { delay, spread } in seconds, or null while there are too few taps.
// The first two taps are left out: a player needs them to find the pace.
export function tapDelay(taps, clicks) {
  const late = taps.slice(2).map((tap) => tap - nearest(clicks, tap));
  if (late.length < MIN_TAPS - 2) return null;
  const delay = median(late);
  return { delay, spread: median(late.map((x) => Math.abs(x - delay))) };
}

export function nearest(sorted, t) {
  const k = lastAtOrBefore(sorted, t);
  if (k < 0) return sorted[0];
  if (k + 1 >= sorted.length) return sorted[k];
  return t - sorted[k] <= sorted[k + 1] - t ? sorted[k] : sorted[k + 1];
}

// A tap on the supposed 1: { right, place, offset }; the nearest place of the grid decides.
export function judgeOne(reading, songTime) {
  const place = nearestPlace(reading, songTime);
  if (!place) return null;
  return { right: place.label === "1", place: place.label, bar: place.bar, offset: place.offset };
}

// Places that are asked for: those of the bar's grid.
export function nameChoices(reading, barIndex) {
  return placesOfBar(reading.bars[barIndex]).map((place) => place.label);
}

// Taps against beats. Returns null below two taps, else offsets (ms, late is positive), mean, spread (standard
// deviation), drift (ms a minute) and evenness: 1 when every step towards or from the beat is shared by all taps,
// 0 when one tap jumps and the rest stay.
export function judgeHold(reading, songTimes) {
  const taps = songTimes
    .map((t) => ({ t, beat: nearest(reading.time, t) }))
    .map(({ t, beat }) => ({ t, beat, offset: 1000 * (t - beat) }))
    .filter(({ t }) => t >= reading.time[0] - 0.3 && t <= reading.end);
  if (taps.length < 2) return null;
  const offsets = taps.map((tap) => tap.offset);
  const mean = offsets.reduce((a, b) => a + b, 0) / offsets.length;
  const spread = Math.sqrt(offsets.reduce((a, b) => a + (b - mean) ** 2, 0) / offsets.length);
  return {
    n: taps.length,
    offsets,
    times: taps.map((tap) => tap.t),
    mean,
    spread,
    drift: slope(taps),
    evenness: evenness(offsets),
  };
}

// Least-squares slope of offset over the song's time, in ms a minute.
function slope(taps) {
  const n = taps.length;
  const meanBeat = taps.reduce((a, tap) => a + tap.beat, 0) / n;
  const meanOffset = taps.reduce((a, tap) => a + tap.offset, 0) / n;
  const top = taps.reduce((a, tap) => a + (tap.beat - meanBeat) * (tap.offset - meanOffset), 0);
  const bottom = taps.reduce((a, tap) => a + (tap.beat - meanBeat) ** 2, 0);
  return bottom === 0 ? 0 : (60 * top) / bottom;
}

// How evenly the corrections between neighbouring taps are shared: participation ratio of their sizes, scaled to 0..1.
export function evenness(offsets) {
  const steps = offsets.slice(1).map((offset, k) => Math.abs(offset - offsets[k]));
  const sum = steps.reduce((a, b) => a + b, 0);
  const squares = steps.reduce((a, b) => a + b * b, 0);
  if (steps.length < 2 || squares === 0) return 1;
  return ((sum * sum) / squares / steps.length - 1 / steps.length) / (1 - 1 / steps.length);
}

// A random start for "find the 1": inside a bar whose guide can answer it (by itself it tells the 1), at any place of its
// grid but the 1; null where no such guide leads for four bars.
export function randomStart(reading, random = Math.random) {
  const bars = reading.bars
    .map((bar, k) => ({ bar, k }))
    .filter(
      ({ bar, k }) =>
        reading.guides[reading.plan[k]]?.findsOne && bar.n === bar.full && followedFor(reading, k, 4),
    );
  if (!bars.length) return null;
  const { bar, k } = bars[Math.floor(random() * bars.length)];
  const places = placesOfBar(bar).filter((place) => place.label !== "1");
  const place = places[Math.floor(random() * places.length)];
  // A little before the place, so that a hit on it is heard whole.
  const at = placeTime(reading, k, place.label) - 0.03;
  return { bar: k, time: Math.max(bar.start, at), guide: reading.plan[k] };
}

function followedFor(reading, bar, n) {
  const guide = reading.plan[bar];
  return reading.plan.slice(bar, bar + n).every((other) => other === guide) && bar + n <= reading.plan.length;
}

// The first hit of a guide after a start, and the place that it falls on.
export function firstHit(reading, guideIndex, time) {
  const { hits } = reading.guides[guideIndex];
  const k = hits.time.findIndex((t, i) => hits.on[i] && t >= time);
  if (k < 0) return null;
  const place = nearestPlace(reading, hits.time[k]);
  return place && { time: hits.time[k], place: place.label, bar: place.bar };
}

// Taps by what clicked when they fell: [{ on, verdict }] for each stage of help that fades, those with taps in them.
export function judgeStages(reading, songTimes, stages, startBar) {
  let first = startBar;
  return stages.flatMap(({ on, bars }, k) => {
    const last = k === stages.length - 1 ? reading.bars.length : first + bars;
    const from = reading.bars[first]?.start ?? Infinity;
    const to = reading.bars[last]?.start ?? reading.end;
    first = last;
    // A tap is of the stage whose beats it is nearest to.
    const here = songTimes.filter(
      (t) => nearest(reading.time, t) >= from - 1e-6 && nearest(reading.time, t) < to - 1e-6,
    );
    const verdict = judgeHold(reading, here);
    return verdict ? [{ on, verdict }] : [];
  });
}
