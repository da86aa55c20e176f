// Corrections: each a function from a reading to a reading of the same sound. Guides keep their hits and are laid anew.

import {
  barOfBeat,
  beatEdge,
  nearestPlace,
  parseLabel,
  patternPhase,
  positionAt,
  readingOf,
  usualMeter,
  withTimes,
} from "./reading.mjs";

// A correction is one of { kind: "shift", beats }, "half", "double", { "offbeat", one_s } (beats half a beat away, one of
// them near one_s a 1), { "nudge", ms }, { "meter", first, last, full } (bars as indices) and { "taps", parts }, what taps
// amount to.
export function corrected(data, corrections) {
  const reading = corrections.reduce(applied, readingOf(data));
  return corrections.length ? withGuides(reading, data) : reading;
}

function applied(reading, correction) {
  const { kind } = correction;
  if (kind === "shift") return shifted(reading, correction.beats);
  if (kind === "half") return halved(reading);
  if (kind === "double") return doubled(reading);
  if (kind === "offbeat") return offbeat(reading, correction.one_s);
  if (kind === "nudge") return nudged(reading, correction.ms / 1000);
  if (kind === "meter") return metered(reading, correction);
  return correction.parts.reduce(applied, reading);
}

// How many beats the bar lines have to move so that a beat becomes a 1: the shorter way round.
export function shiftToOne(reading, beat) {
  const bar = reading.bars[barOfBeat(reading, beat)];
  const later = (reading.count[beat] - 1) % bar.full;
  return later <= bar.full / 2 ? later : later - bar.full;
}

// Move every bar line by some beats (later is positive); the meters keep their order.
export function shifted(reading, beats) {
  const lengths = reading.bars.map((bar) => bar.full);
  const firstLine = reading.bars[0].first - (reading.bars[0].firstCount - 1) + beats;
  return laid(reading, reading.time, firstLine, lengths, reading.bars);
}

// Half the tempo: every other beat, keeping those that hold the first 1.
export function halved(reading) {
  const one = Math.max(0, reading.count.indexOf(1));
  const time = reading.time.filter((_, k) => (k - one) % 2 === 0);
  const firstKept = one % 2;
  const newOne = (one - firstKept) / 2;
  const full = usualMeter(reading);
  const section = rescaled(reading, reading.bars[0].section, 2);
  return laid(
    { ...reading, bpm: reading.bpm / 2 },
    time,
    newOne - (newOne > 0 ? full : 0),
    [full],
    [{ section }],
  );
}

// Twice the tempo: a beat between every two.
export function doubled(reading) {
  const time = [];
  reading.time.forEach((t, k) => {
    time.push(t, (t + beatEdge(reading, k + 1)) / 2);
  });
  const one = 2 * Math.max(0, reading.count.indexOf(1));
  const full = usualMeter(reading);
  const section = rescaled(reading, reading.bars[0].section, 0.5);
  const before = Math.ceil(one / full) * full;
  return laid({ ...reading, bpm: reading.bpm * 2 }, time, one - before, [full], [{ section }]);
}

// Every beat in the middle between two; the one nearest to a time is a 1.
export function offbeat(reading, oneS) {
  const time = reading.time.map((t, k) => (t + beatEdge(reading, k + 1)) / 2);
  let one = 0;
  time.forEach((t, k) => {
    if (Math.abs(t - oneS) < Math.abs(time[one] - oneS)) one = k;
  });
  const full = usualMeter(reading);
  const end = reading.end + (reading.end - reading.time.at(-1)) / 2;
  return laid({ ...reading, end }, time, one - Math.ceil(one / full) * full, [full], [reading.bars[0]]);
}

// The whole grid later (or earlier) by some seconds: beats, and with them clicks and guides.
export function nudged(reading, seconds) {
  const bars = reading.bars.map((bar) => ({ ...bar }));
  const time = reading.time.map((t) => t + seconds);
  const nudge = (reading.nudge ?? 0) + seconds;
  return withTimes({ ...reading, time, bars, end: reading.end + seconds, nudge });
}

// Bars first .. last (indices) hold as many beats as `full` says; what is left over is a shorter last one. The bars
// before and after keep their lines.
export function metered(reading, { first, last, full }) {
  const { bars } = reading;
  const beats = bars[last].first + bars[last].n - bars[first].first;
  const inside = Array.from({ length: Math.floor(beats / full) }, () => full);
  if (beats % full) inside.push(beats % full);
  const { section } = bars[first];
  const like = [
    ...bars.slice(0, first),
    ...inside.map((n) => ({ full: n, section })),
    ...bars.slice(last + 1),
  ];
  const firstLine = bars[0].first - (bars[0].firstCount - 1);
  const lengths = like.map((bar) => bar.full);
  return laid(reading, reading.time, firstLine, lengths, like);
}

// A grid for beats that are `factor` times as long. Swing of the old beat has no place in the new one's counts.
function rescaled(reading, section, factor) {
  const slots = {
    1: { 2: 2, 0.5: 1 },
    2: { 2: 4, 0.5: 1 },
    3: { 2: 6, 0.5: 3 },
    4: { 2: 4, 0.5: 2 },
    6: { 2: 6, 0.5: 3 },
  };
  const count = slots[section.slots][factor];
  const names = reading.counting.syllables[count];
  const within = reading.counting.even[count];
  return { ...section, slots: count, swing: 1, names, within, positions: names.map((name) => within[name]) };
}

// Lay bars of the given lengths on beats, from a bar line that may lie before the first beat; the last length repeats.
// like: bars whose grid the new ones have, and whose meter, where they are as long.
function laid(reading, time, firstLine, lengths, like) {
  const count = [];
  const bars = [];
  let line = firstLine;
  let k = 0;
  while (line > 0) line -= lengths[0];
  while (line < time.length) {
    const full = lengths[Math.min(k, lengths.length - 1)];
    const first = Math.max(0, line);
    const last = Math.min(time.length, line + full);
    if (last > first) {
      const { section, meter, full: before } = like[Math.min(k, like.length - 1)];
      bars.push({ first, n: last - first, full, section, meter: before === full ? meter : undefined });
      for (let beat = first; beat < last; beat += 1) count.push(beat - line + 1);
    }
    line += full;
    k += 1;
  }
  const firstIsPickup = bars.length > 0 && count[0] > 1;
  bars.forEach((bar, index) => {
    bar.number = firstIsPickup ? index : index + 1;
  });
  return withTimes({ ...reading, time, count, bars });
}

// Lay the guides' hits on the bars of a new reading.
function withGuides(reading, data) {
  const base = movedBy(readingOf(data), reading.nudge ?? 0);
  const ratio = base.bpm / reading.bpm;
  paceCountIn(reading, base, ratio);
  const guides = base.guides.map((guide) => relabelled(reading, base, guide, ratio));
  const plan = reading.bars.map((bar) => {
    const at = positionAt(base, (bar.start + bar.end) / 2);
    return at ? base.plan[at.bar] : -1;
  });
  const kinds = reading.bars.map((bar) => {
    const at = positionAt(base, (bar.start + bar.end) / 2);
    return at ? base.kinds[at.bar] : "alone";
  });
  const doubts = base.doubts.map((doubt) => movedDoubt(reading, base, doubt));
  return { ...reading, guides, plan, kinds, doubts };
}

function movedBy(base, seconds) {
  if (!seconds) return base;
  const guides = base.guides.map((guide) => ({
    ...guide,
    hits: { ...guide.hits, time: guide.hits.time.map((t) => t + seconds) },
  }));
  return nudged({ ...base, guides }, seconds);
}

// Bars are numbered anew where beats were corrected; a doubt stays where it was heard.
function movedDoubt(reading, base, doubt) {
  const first = positionAt(reading, base.bars[doubt.first].start)?.bar ?? 0;
  const last = positionAt(reading, base.bars[doubt.last].end - 0.01)?.bar ?? reading.bars.length - 1;
  return { ...doubt, first, last };
}

// A count-in goes at the pace that was handed over for the bar that was there, slower or faster as the beats are now.
function paceCountIn(reading, base, ratio) {
  for (const bar of reading.bars) {
    const at = positionAt(base, bar.start) ?? { bar: 0 };
    bar.countInBeat = base.bars[at.bar].countInBeat * ratio;
  }
}

function relabelled(reading, base, guide, ratio) {
  const covered = reading.bars.map((bar) => {
    const at = positionAt(base, (bar.start + bar.end) / 2);
    return at !== null && guide.covered[at.bar];
  });
  const patternBars = Math.min(4, Math.max(1, Math.round(guide.patternBars / ratio)));
  const seen = new Map();
  guide.hits.time.forEach((t, k) => {
    const place = guide.hits.on[k] ? nearestPlace(reading, t) : null;
    if (!place || !covered[place.bar]) return;
    const phase = patternPhase(reading.bars[place.bar], patternBars);
    const key = `${phase}:${place.label}`;
    const entry = seen.get(key) ?? { label: place.label, bar: phase + 1, bars: new Set(), offsets: [] };
    entry.bars.add(place.bar);
    entry.offsets.push(1000 * place.offset);
    seen.set(key, entry);
  });
  const perPhase = Array.from(
    { length: patternBars },
    (_, phase) =>
      reading.bars.filter(
        (bar, k) => covered[k] && bar.n === bar.full && patternPhase(bar, patternBars) === phase,
      ).length,
  );
  const places = [...seen.values()]
    .map((entry) => summary(entry, perPhase[entry.bar - 1], reading))
    .filter((place) => place.rate >= reading.placeStands)
    .sort((a, b) => a.bar - b.bar || a.pos - b.pos);
  return { ...guide, covered, patternBars, places };
}

function summary(entry, bars, reading) {
  const mean = entry.offsets.reduce((a, b) => a + b, 0) / entry.offsets.length;
  const variance = entry.offsets.reduce((a, b) => a + (b - mean) ** 2, 0) / entry.offsets.length;
  const { count, syllable } = parseLabel(entry.label);
  const section = reading.bars[[...entry.bars][0]].section;
  return {
    label: entry.label,
    bar: entry.bar,
    pos: count - 1 + section.within[syllable],
    rate: Math.min(1, entry.bars.size / Math.max(1, bars)),
    offset: mean,
    spread: Math.sqrt(variance),
  };
}

// What another reading's hint (an option of the command line) amounts to here; null where it can't be shown.
export function correctionOf(hint, reading) {
  const [option, value] = hint.split(" ");
  if (option === "--one-at") return oneCorrection(reading, Number(value));
  if (option !== "--bpm") return null;
  const [low, high = low] = value.split(":").map(Number);
  const ratio = reading.bpm / ((low + high) / 2);
  if (ratio > 1.7 && ratio < 2.3) return { kind: "half" };
  return ratio > 0.43 && ratio < 0.6 ? { kind: "double" } : null;
}

// A 1 at a time: on the nearest beat, or half a beat from all of them.
export function oneCorrection(reading, t) {
  const at = positionAt(reading, Math.max(reading.time[0], t));
  if (!at) return null;
  if (at.within > 0.3 && at.within < 0.7) return { kind: "offbeat", one_s: t };
  const beat = Math.min(reading.time.length - 1, at.within < 0.5 ? at.beat : at.beat + 1);
  return { kind: "shift", beats: shiftToOne(reading, beat) };
}

const FEWEST_TAPS = 8;

// Taps on every beat, begun on a 1: { parts, words } of what they say against a reading, null while they are too few or
// too uneven. times in seconds of the song.
export function correctionFromTaps(reading, times) {
  if (times.length < FEWEST_TAPS) return null;
  const steps = times.slice(1).map((t, k) => t - times[k]);
  const step = [...steps].sort((a, b) => a - b)[steps.length >> 1];
  const at = positionAt(reading, times[0]);
  if (!at || steps.filter((s) => Math.abs(s / step - 1) < 0.2).length < 0.8 * steps.length) return null;
  const beat = beatEdge(reading, at.beat + 1) - reading.time[at.beat];
  const ratio = step / beat;
  const parts = [];
  if (ratio > 1.6 && ratio < 2.5) parts.push({ kind: "half" });
  else if (ratio > 0.4 && ratio < 0.63) parts.push({ kind: "double" });
  else if (ratio < 0.8 || ratio > 1.25) return null;
  const anew = parts.reduce(applied, reading);
  const one = oneCorrection(anew, times[0]);
  if (one && one.beats !== 0) parts.push(one);
  return { kind: "taps", times, parts, bpm: 60 / step };
}
