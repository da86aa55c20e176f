import assert from "node:assert/strict";
import test from "node:test";

import {
  corrected,
  correctionFromTaps,
  correctionOf,
  metered,
  nudged,
  offbeat,
  oneCorrection,
} from "../../pulsefind/web/corrections.mjs";
import { readingOf, writtenMeter } from "../../pulsefind/web/reading.mjs";
import { songFileLines, songFileName } from "../../pulsefind/web/songfile.mjs";
import { songData } from "./fixture.mjs";

const near = (actual, expected, within = 1e-9) =>
  assert.ok(Math.abs(actual - expected) <= within, `${actual}`);
const lines = (data, corrections) => songFileLines(data, corrected(data, corrections), corrections);
const said = (data, corrections) => lines(data, corrections).text;

test("half a beat away: beats in the middles, the 1 where it was asked for", () => {
  const reading = offbeat(readingOf(songData()), 2.02);
  near(reading.time[0], 0.8);
  const one = reading.count.findIndex((count, k) => count === 1 && reading.time[k] > 1.5);
  near(reading.time[one], 2.0);
});

test("a nudge moves beats, bars and hits alike, and no count", () => {
  const data = songData();
  const reading = corrected(data, [{ kind: "nudge", ms: -12 }]);
  reading.time.forEach((t, k) => near(t, data.beats.time[k] - 0.012));
  near(reading.bars[3].start, data.beats.time[data.bars.first[3]] - 0.012);
  near(reading.guides[0].hits.time[0], data.guides[0].hits.time[0] - 0.012);
  assert.deepEqual(
    reading.guides[0].places.map((place) => place.label),
    ["2&", "4&"],
  );
  assert.deepEqual(reading.count, data.beats.count);
  near(nudged(nudged(readingOf(data), 0.01), -0.01).time[5], data.beats.time[5]);
});

test("a stretch in another meter keeps the bar lines before and after it", () => {
  const reading = metered(readingOf(songData()), { first: 2, last: 4, full: 3 });
  // Three bars of four are four of three.
  assert.deepEqual(
    reading.bars.map((bar) => bar.n),
    [1, 4, 3, 3, 3, 3, 4, 4, 4, 4],
  );
  assert.deepEqual(reading.count.slice(5, 12), [1, 2, 3, 1, 2, 3, 1]);
  const uneven = metered(readingOf(songData()), { first: 2, last: 2, full: 3 });
  assert.deepEqual(
    uneven.bars.map((bar) => bar.n),
    [1, 4, 3, 1, 4, 4, 4, 4, 4, 4],
  );
});

test("what other readings' hints amount to", () => {
  const reading = readingOf(songData());
  assert.deepEqual(correctionOf("--bpm 45:55", reading), { kind: "half" });
  assert.deepEqual(correctionOf("--bpm 190:210", reading), { kind: "double" });
  assert.equal(correctionOf("--bpm 140:160", reading), null);
  assert.equal(correctionOf("--meter 3/4", reading), null);
  assert.deepEqual(correctionOf("--one-at 1.7", reading), { kind: "shift", beats: 1 });
  assert.deepEqual(oneCorrection(reading, 1.4), { kind: "offbeat", one_s: 1.4 });
});

test("taps say half, double, the other half of the beat, and where the 1 is", () => {
  const reading = readingOf(songData());
  const taps = (first, step, n = 16) =>
    Array.from({ length: n }, (_, k) => first + k * step + 0.008 * Math.sin(k));
  assert.deepEqual(correctionFromTaps(reading, taps(1.1, 0.6)).parts, []);
  assert.deepEqual(correctionFromTaps(reading, taps(2.3, 0.6)).parts, [{ kind: "shift", beats: 2 }]);
  assert.deepEqual(correctionFromTaps(reading, taps(1.1, 1.2, 9)).parts, [{ kind: "half" }]);
  assert.deepEqual(correctionFromTaps(reading, taps(1.1, 0.3, 32)).parts, [{ kind: "double" }]);
  assert.equal(correctionFromTaps(reading, taps(1.4, 0.6)).parts[0].kind, "offbeat");
  assert.equal(correctionFromTaps(reading, taps(1.1, 0.6, 5)), null);
  assert.equal(correctionFromTaps(reading, [1, 1.2, 2, 2.1, 3.3, 3.4, 4, 5.5, 5.6]), null);
});

test("the song's file holds what was corrected", () => {
  const data = songData();
  assert.equal(said(data, []), "");
  const text = said(data, [
    { kind: "shift", beats: 1 },
    { kind: "nudge", ms: 12 },
  ]);
  assert.equal(
    text,
    `recording = { sha256 = "${"0".repeat(64)}", length_s = 60 }\nnudge_ms = 12\nthe_1 = ["0:01.70"]\n`,
  );
  assert.match(said(data, [{ kind: "half" }]), /bpm = "45:55"/);
  const meter = { kind: "meter", first: 2, last: 4, full: 3, from: 2, to: 4 };
  assert.match(said(data, [meter]), /meters = \["bars 2-4: 3\/4"\]/);
  assert.match(
    said(data, [{ kind: "taps", times: [1, 1.6], parts: [] }]),
    /\[taps\]\ntimes = \[1, 1.6\]\nby_ear = true/,
  );
  const before = {
    ...data,
    known: { title: 'So "called"', nudge_ms: 5, meters: ["bar 8: 2/4"], taps: { times: [1] } },
  };
  // Only what changes: the title, and what the page knows nothing of, stay as they are in the file.
  const added = lines(before, [{ kind: "shift", beats: 1 }, meter, { kind: "nudge", ms: 2 }]);
  assert.match(added.text, /nudge_ms = 7\nmeters = \["bar 8: 2\/4", "bars 2-4: 3\/4"\]\n/);
  assert.doesNotMatch(added.text, /title|taps/);
  assert.deepEqual(added.dropped, ["taps"]);
  assert.deepEqual(lines(before, []), { text: "", dropped: [] });
  assert.equal(songFileName("in/My song.v2.flac"), "My song.v2.song.toml");
});

test("a bar keeps its written meter where bars are laid anew", () => {
  const data = songData();
  data.bars.meter[3] = "8/8";
  const written = (corrections) =>
    corrected(data, corrections).bars.map((bar) => writtenMeter(corrected(data, corrections), bar));
  assert.equal(written([])[3], "8/8");
  assert.equal(written([{ kind: "shift", beats: 1 }]).filter((meter) => meter === "8/8").length, 1);
  const meters = written([{ kind: "meter", first: 5, last: 7, full: 3 }]);
  assert.deepEqual([meters[3], meters[5], meters[8]], ["8/8", "3/4", "3/4"]);
  assert.equal(meters[9], "4/4");
});
