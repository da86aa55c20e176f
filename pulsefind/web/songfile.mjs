// The song's file: what was corrected here, as the lines that every command reads beside the recording (TOML 1.0).

import { meterText } from "./reading.mjs";

// Its name beside the recording.
export function songFileName(track) {
  const name = track.split(/[/\\]/).at(-1);
  return `${name.replace(/\.[^.]*$/, "")}.song.toml`;
}

// data: what the page was made with; reading: as corrected; corrections: in order. Empty without any.
export function songFileText(data, reading, corrections) {
  if (!corrections.length) return "";
  const { track } = data;
  const lines = [`recording = { sha256 = "${track.sha256}", length_s = ${track.duration.toFixed(3)} }`];
  const nudge = totalNudge(corrections);
  if (nudge) lines.push(`nudge_ms = ${nudge}`);
  const taps = corrections.findLast(({ kind }) => kind === "taps");
  const counted = corrections.filter(({ kind }) => ["shift", "half", "double", "offbeat"].includes(kind));
  const one = reading.bars.find((bar) => bar.firstCount === 1);
  if (!taps && counted.length && one) lines.push(`the_1 = ["${clock(one.start - nudge / 1000)}"]`);
  if (!taps && counted.some(({ kind }) => kind === "half" || kind === "double"))
    lines.push(`bpm = "${bpmRange(reading)}"`);
  const meters = corrections.filter(({ kind }) => kind === "meter");
  if (meters.length) lines.push("meters = [", ...meters.map((m) => `    "${passage(reading, m)}",`), "]");
  if (taps)
    lines.push("", "[taps]", `times = [${taps.times.map((t) => t.toFixed(3)).join(", ")}]`, "by_ear = true");
  return `${lines.join("\n")}\n`;
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
