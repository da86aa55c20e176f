// The song's file: what was corrected here, as the lines that every command reads beside the recording (TOML 1.0).

import { meterText } from "./reading.mjs";

// Its name beside the recording.
export function songFileName(track) {
  const name = track.split(/[/\\]/).at(-1);
  return `${name.replace(/\.[^.]*$/, "")}.song.toml`;
}

// What its lines have to become: { text, dropped }, both empty without corrections. data: what the page was made with,
// what the file said then (known) included; reading: as corrected; corrections: in order. text holds the lines that are
// new or say something else, no others, so that comments and all else in the file stay; dropped: keys that no longer hold.
export function songFileLines(data, reading, corrections) {
  const { values, dropped } = songFileChanges(data, reading, corrections);
  return { text: corrections.length ? written(values) : "", dropped };
}

// The same as values: { values, dropped }.
export function songFileChanges(data, reading, corrections) {
  if (!corrections.length) return { values: {}, dropped: [] };
  const { known } = data;
  const values = valuesSaid(data, reading, corrections);
  const isNew = ([key, value]) => JSON.stringify(value) !== JSON.stringify(known[key]);
  return {
    values: Object.fromEntries(Object.entries(values).filter(isNew)),
    dropped: Object.keys(known).filter((key) => !(key in values)),
  };
}

function valuesSaid({ track, known }, reading, corrections) {
  const values = {
    ...known,
    recording: { sha256: track.sha256, length_s: Number(track.duration.toFixed(3)) },
  };
  const nudge = totalNudge(corrections);
  if (nudge) values.nudge_ms = (known.nudge_ms ?? 0) + nudge;
  const counted = corrections.filter(({ kind }) => ["shift", "half", "double", "offbeat"].includes(kind));
  if (counted.length) sayCounts(values, reading, counted, nudge);
  const meters = corrections.filter(({ kind }) => kind === "meter").map((meter) => passage(reading, meter));
  if (meters.length) values.meters = [...(known.meters ?? []), ...meters];
  const taps = corrections.findLast(({ kind }) => kind === "taps");
  if (taps) sayTaps(values, taps);
  return values;
}

// A 1 and a tempo that were chosen here take the place of what was told before.
function sayCounts(values, reading, counted, nudge) {
  delete values.taps;
  const one = reading.bars.find((bar) => bar.firstCount === 1);
  if (one) values.the_1 = [clock(one.start - nudge / 1000)];
  if (counted.some(({ kind }) => kind === "half" || kind === "double")) values.bpm = bpmRange(reading);
}

function sayTaps(values, { times }) {
  delete values.the_1;
  delete values.bpm;
  values.taps = { times: times.map((t) => Number(t.toFixed(3))), by_ear: true };
}

// Tables come last in TOML; short ones stand in a line.
function written(values) {
  const isTable = (key, value) => key === "taps" || (Array.isArray(value) && typeof value[0] === "object");
  const entries = Object.entries(values);
  const lines = entries
    .filter(([key, value]) => !isTable(key, value))
    .map(([key, value]) => `${key} = ${toml(value)}`);
  for (const [key, value] of entries.filter(([name, held]) => isTable(name, held))) {
    for (const table of Array.isArray(value) ? value : [value]) {
      lines.push("", Array.isArray(value) ? `[[${key}]]` : `[${key}]`);
      lines.push(...Object.entries(table).map(([name, held]) => `${name} = ${toml(held)}`));
    }
  }
  return `${lines.join("\n")}\n`;
}

// A value as TOML 1.0 writes it; its strings are escaped as those of JSON.
function toml(value) {
  if (Array.isArray(value)) return `[${value.map(toml).join(", ")}]`;
  if (typeof value !== "object") return JSON.stringify(value);
  return `{ ${Object.entries(value)
    .map(([name, held]) => `${name} = ${toml(held)}`)
    .join(", ")} }`;
}

export function totalNudge(corrections) {
  return corrections.reduce((sum, { kind, ms }) => (kind === "nudge" ? sum + ms : sum), 0);
}

export function bpmRange(reading) {
  return `${(reading.bpm * 0.9).toFixed(0)}:${(reading.bpm * 1.1).toFixed(0)}`;
}

function passage(reading, { from, to, full }) {
  return `bars ${from}-${to}: ${meterText(reading, full)}`;
}

// A time found by ear: to the hundredth, so that the nearest beat is meant.
function clock(seconds) {
  const hundredths = Math.max(0, Math.round(100 * seconds));
  const rest = `${String(Math.floor(hundredths / 100) % 60).padStart(2, "0")}.${String(hundredths % 100).padStart(2, "0")}`;
  return `${Math.floor(hundredths / 6000)}:${rest}`;
}
