// One reading of the track: beats, counts, bars, and where the guides fall. Everything that the page shows or plays
// comes from a reading, so a correction is only another reading of the same sound.

// The reading that the analysis gives. Names, marks, doubts and ways to count are those that Python hands over (words).
export function readingOf(data) {
  const { words } = data;
  if (!words.counting) return { time: [], count: [], bars: [], guides: [], plan: [], kinds: [], doubts: [] };
  const sections = data.grid.map((section, k) => ({
    ...section,
    names: words.counting.syllables[section.slots],
    within: words.counting.within[k],
  }));
  const bars = data.bars.first.map((first, k) => ({
    first,
    n: data.bars.beats[k],
    full: data.bars.full[k],
    number: data.bars.number[k],
    section: sectionAt(sections, k),
  }));
  const reading = {
    time: data.beats.time,
    count: data.beats.count,
    end: data.bars.end,
    unit: data.bars.unit,
    inThrees: data.bars.inThrees,
    bpm: data.tempo.bpm,
    bars,
    guides: data.guides.map((guide, index) => ({
      ...guide,
      ...words.guides[index],
      covered: bars.map((_, k) => guide.coverage.some(([first, last]) => first <= k && k <= last)),
    })),
    plan: data.plan,
    kinds: bars.map((_, k) => words.plan.find((line) => line.first <= k && k <= line.last)?.kind ?? "alone"),
    doubts: words.doubts,
    counting: words.counting,
    placeStands: words.placeStands,
    presets: words.clicks.presets,
    fading: words.clicks.fading,
  };
  bars.forEach((bar, k) => {
    bar.countInBeat = words.countIn.beat[k];
  });
  return withTimes(reading);
}

function sectionAt(sections, bar) {
  return sections.find((section) => section.first <= bar && bar <= section.last) ?? sections[0];
}

function withTimes(reading) {
  reading.bars.forEach((bar) => {
    bar.start = reading.time[bar.first];
    bar.end = beatEdge(reading, bar.first + bar.n);
    bar.firstCount = reading.count[bar.first];
    bar.bpm = (60 * bar.n) / (bar.end - bar.start);
  });
  return reading;
}

// The time of a beat; the edge after the last beat is the end of the last bar.
export function beatEdge(reading, index) {
  return index < reading.time.length ? reading.time[index] : reading.end;
}

// Spoken count of a slot: in eighths, slot 1 of count 2 is "2&".
function label(count, slot, section) {
  return `${count}${section.names[slot]}`;
}

export function parseLabel(text) {
  const [, digits, syllable] = /^(\d+)(.*)$/.exec(text);
  return { count: Number(digits), syllable };
}

// All places of a bar on its grid, in order, with their distance from the 1 in beats.
export function placesOfBar(bar) {
  const { positions } = bar.section;
  const found = [];
  for (let count = 1; count <= bar.full; count += 1) {
    positions.forEach((within, slot) =>
      found.push({ label: label(count, slot, bar.section), pos: count - 1 + within }),
    );
  }
  return found;
}

// The time of a place in a bar, or null where the bar (a pickup, a shorter meter) has no such beat.
export function placeTime(reading, barIndex, text) {
  const bar = reading.bars[barIndex];
  const { count, syllable } = parseLabel(text);
  const beat = bar.first + count - bar.firstCount;
  if (beat < bar.first || beat >= bar.first + bar.n) return null;
  const start = reading.time[beat];
  return start + bar.section.within[syllable] * (beatEdge(reading, beat + 1) - start);
}

// Index of the last value at or before t, -1 before the first.
export function lastAtOrBefore(sorted, t) {
  let low = 0;
  let high = sorted.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (sorted[middle] <= t) low = middle + 1;
    else high = middle;
  }
  return low - 1;
}

// Bar, beat and distance from the 1 (in beats) at a time; null outside the bars.
export function positionAt(reading, t) {
  const beat = lastAtOrBefore(reading.time, t);
  if (beat < 0 || t >= reading.end) return null;
  const bar = barOfBeat(reading, beat);
  const start = reading.time[beat];
  const within = (t - start) / (beatEdge(reading, beat + 1) - start);
  return { bar, beat, within, beatsFromOne: reading.count[beat] - 1 + within };
}

export function barOfBeat(reading, beat) {
  let low = 0;
  let high = reading.bars.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (reading.bars[middle].first <= beat) low = middle;
    else high = middle - 1;
  }
  return low;
}

// The nearest place of the grid at a time, as { bar, label, offset }: offset in seconds, late is positive.
export function nearestPlace(reading, t) {
  const here = positionAt(reading, t);
  if (!here) return null;
  const section = reading.bars[here.bar].section;
  const length = beatEdge(reading, here.beat + 1) - reading.time[here.beat];
  const slots = [...section.positions, 1];
  let best = 0;
  slots.forEach((position, slot) => {
    if (Math.abs(here.within - position) < Math.abs(here.within - slots[best])) best = slot;
  });
  const offset = (here.within - slots[best]) * length;
  if (best < section.slots) {
    return { bar: here.bar, label: label(reading.count[here.beat], best, section), offset };
  }
  const next = here.beat + 1;
  if (next >= reading.time.length) {
    return {
      bar: here.bar,
      label: label(reading.count[here.beat], section.slots - 1, section),
      offset: length,
    };
  }
  return { bar: barOfBeat(reading, next), label: String(reading.count[next]), offset };
}

// What can be corrected, each a function from a reading to a reading. `data` keeps the hits.
export function corrected(data, corrections) {
  let reading = readingOf(data);
  for (const correction of corrections) {
    if (correction.kind === "shift") reading = shifted(reading, correction.beats);
    if (correction.kind === "half") reading = halved(reading);
    if (correction.kind === "double") reading = doubled(reading);
  }
  return corrections.length ? withGuides(reading, data) : reading;
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
  return laid(
    reading,
    reading.time,
    firstLine,
    lengths,
    reading.bars.map((bar) => bar.section),
  );
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
    [section],
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
  return laid({ ...reading, bpm: reading.bpm * 2 }, time, one - before, [full], [section]);
}

export function usualMeter(reading) {
  const votes = new Map();
  reading.bars.forEach((bar) => votes.set(bar.full, (votes.get(bar.full) ?? 0) + 1));
  return [...votes].sort((a, b) => b[1] - a[1])[0][0];
}

// A meter as it is written: bars of four beats of three are 12/8.
export function meterText(reading, full) {
  return reading.inThrees ? `${3 * full}/8` : `${full}/${reading.unit}`;
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
function laid(reading, time, firstLine, lengths, sections) {
  const count = [];
  const bars = [];
  let line = firstLine;
  let k = 0;
  while (line > 0) {
    line -= lengths[0];
  }
  while (line < time.length) {
    const full = lengths[Math.min(k, lengths.length - 1)];
    const first = Math.max(0, line);
    const last = Math.min(time.length, line + full);
    if (last > first) {
      bars.push({ first, n: last - first, full, section: sections[Math.min(k, sections.length - 1)] });
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
  const base = readingOf(data);
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

export function patternPhase(bar, patternBars) {
  return (((bar.number - 1) % patternBars) + patternBars) % patternBars;
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

// The guide's places that belong to a bar.
export function guidePlacesIn(reading, guideIndex, barIndex) {
  const guide = reading.guides[guideIndex];
  const phase = patternPhase(reading.bars[barIndex], guide.patternBars);
  return guide.places.filter((place) => place.bar === phase + 1);
}

// Runs of bars that are alike in all that a player does there: [{ first, last, guide }]. Alike are bars of the same guide,
// meter and length; a pattern of two bars makes one run, too.
export function alikeRuns(reading, first, last) {
  const runs = [];
  for (let k = first; k <= last; k += 1) {
    const run = runs.at(-1);
    if (run && alike(reading, run.last, k)) run.last = k;
    else runs.push({ first: k, last: k, guide: reading.plan[k] });
  }
  return runs;
}

function alike(reading, a, b) {
  const [one, other] = [reading.bars[a], reading.bars[b]];
  if (reading.plan[a] !== reading.plan[b] || one.full !== other.full) return false;
  // A pickup is the end of such a bar.
  return other.n === other.full && (one.n === one.full || one.number === 0);
}

// Runs of bars with the same guide (or -1): [{ first, last, guide, kind }]; kind is "guide", "band" (no one sound repeats,
// but it pulses) or "alone".
export function planParts({ plan, kinds }) {
  const parts = [];
  plan.forEach((guide, bar) => {
    const part = parts.at(-1);
    if (part && part.guide === guide && part.kind === kinds[bar]) part.last = bar;
    else parts.push({ first: bar, last: bar, guide, kind: kinds[bar] });
  });
  return parts;
}

export function inDoubt(reading, bar) {
  return reading.doubts.some((doubt) => !doubt.whole && doubt.first <= bar && bar <= doubt.last);
}

// What comes after the stretch of the plan that a bar lies in: { guide, bar, inBars }, or null in the last stretch.
export function nextChange(reading, bar) {
  const { plan, kinds } = reading;
  let next = bar + 1;
  while (next < plan.length && plan[next] === plan[bar] && kinds[next] === kinds[bar]) next += 1;
  return next < plan.length ? { guide: plan[next], kind: kinds[next], bar: next, inBars: next - bar } : null;
}

// The doubt that a bar lies in or that comes next: { bar, inBars }, or null.
export function nextDoubt(reading, bar) {
  let best = null;
  for (const doubt of reading.doubts) {
    if (doubt.whole || doubt.last < bar) continue;
    const at = Math.max(bar, doubt.first);
    if (best === null || at < best.bar) best = { bar: at, inBars: at - bar };
  }
  return best;
}
