// The command that makes the page's corrections permanent.

import { bpmRange, totalNudge } from "./songfile.mjs";

// A word as a POSIX shell reads it back unchanged.
export function quoted(word) {
  return /^[\w@%+=:,./-]+$/.test(word) ? word : `'${word.replaceAll("'", "'\\''")}'`;
}

// The words of the command line, each as a shell reads it. data.command: { track, out, hints: [[option, value], ...] } as the page was made with.
export function commandWords(command, reading, corrections) {
  const hints = new Map(command.hints);
  const counts = corrections.filter(({ kind }) => kind !== "nudge" && kind !== "meter");
  const one = reading.bars.find((bar) => bar.firstCount === 1);
  if (counts.length && one) hints.set("--one-at", (one.start - totalNudge(corrections) / 1000).toFixed(3));
  const paced = counts.flatMap((correction) => correction.parts ?? [correction]);
  if (paced.some(({ kind }) => kind === "half" || kind === "double")) hints.set("--bpm", bpmRange(reading));
  const words = [...hints].flatMap(([option, value]) => (value === "" ? [option] : [option, value]));
  // A name that starts with a dash would be read as an option.
  const track = command.track.startsWith("-") ? `./${command.track}` : command.track;
  return ["pulsefind", "page", quoted(track), ...words.map(asIs), "--out", quoted(command.out), "--force"];
}

// Options stay bare; their values are quoted where they need it.
function asIs(word) {
  return word.startsWith("--") ? word : quoted(word);
}
