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
    meter: data.bars.meter[k],
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
    // Sections that the player named, by when they begin: bars may be laid anew.
    named: data.sections.map(({ name, first }) => ({ name, start: data.beats.time[data.bars.first[first]] })),
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

export function withTimes(reading) {
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

export function usualMeter(reading) {
  const votes = new Map();
  reading.bars.forEach((bar) => votes.set(bar.full, (votes.get(bar.full) ?? 0) + 1));
  return [...votes].sort((a, b) => b[1] - a[1])[0][0];
}

// A bar's meter as it is written; a bar that was laid anew has the song's note value.
export function writtenMeter(reading, bar) {
  return bar.meter ?? meterText(reading, bar.full);
}

// A meter as it is written: bars of four beats of three are 12/8.
export function meterText(reading, full) {
  return reading.inThrees ? `${3 * full}/8` : `${full}/${reading.unit}`;
}

export function patternPhase(bar, patternBars) {
  return (((bar.number - 1) % patternBars) + patternBars) % patternBars;
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
  if (reading.plan[a] !== reading.plan[b] || one.full !== other.full || one.meter !== other.meter)
    return false;
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

// The section that a bar's middle lies in, "" where none was named.
export function sectionNamed({ named, bars }, bar) {
  const middle = (bars[bar].start + bars[bar].end) / 2;
  return named.findLast(({ start }) => start <= middle)?.name ?? "";
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
