import assert from "node:assert/strict";
import test from "node:test";

import { corrected, shiftToOne } from "../../pulsefind/web/corrections.mjs";
import {
  meterText,
  nearestPlace,
  placeTime,
  planParts,
  positionAt,
  readingOf,
} from "../../pulsefind/web/reading.mjs";
import { songData } from "./fixture.mjs";

const near = (actual, expected, within = 1e-9) =>
  assert.ok(Math.abs(actual - expected) <= within, `${actual} is not ${expected}`);

test("places of common practice fall where they are counted", () => {
  // At 60 bpm in 4/4, 1e 2& 3 3a 4& sound at 0.25, 1.5, 2.0, 2.75 and 3.5 s of the bar (common practice).
  const reading = readingOf(songData(4, 60));
  const start = reading.bars[1].start;
  const wanted = { "1e": 0.25, "2&": 1.5, 3: 2, "3a": 2.75, "4&": 3.5 };
  for (const [label, offset] of Object.entries(wanted)) near(placeTime(reading, 1, label) - start, offset);
});

test("a pickup has only its own counts", () => {
  const reading = readingOf(songData());
  assert.equal(placeTime(reading, 0, "1"), null);
  near(placeTime(reading, 0, "4"), 0.5);
  near(placeTime(reading, 0, "4&"), 0.8);
});

test("swung places follow the grid", () => {
  const data = songData(4, 60);
  data.grid = [{ first: 0, last: 4, slots: 2, swing: 2, positions: [0, 2 / 3] }];
  data.words.counting.within = [{ "": 0, e: 1 / 3, "&": 2 / 3, a: 5 / 6 }];
  const reading = readingOf(data);
  near(placeTime(reading, 1, "1&") - reading.bars[1].start, 2 / 3);
  near(placeTime(reading, 1, "1e") - reading.bars[1].start, 1 / 3);
});

test("position and nearest place", () => {
  const reading = readingOf(songData());
  assert.equal(positionAt(reading, 0.49), null);
  assert.equal(positionAt(reading, reading.end), null);
  const at = positionAt(reading, reading.bars[2].start + 0.9);
  assert.equal(at.bar, 2);
  near(at.beatsFromOne, 1.5);
  const late = nearestPlace(reading, reading.bars[2].start + 0.9 + 0.01);
  assert.equal(late.label, "2&");
  near(late.offset, 0.01);
  const early = nearestPlace(reading, reading.bars[3].start - 0.02);
  assert.equal(early.label, "1");
  assert.equal(early.bar, 3);
  near(early.offset, -0.02);
});

test("shifting by a beat renames the guide's places and undoes itself", () => {
  const data = songData();
  const later = corrected(data, [{ kind: "shift", beats: 1 }]);
  assert.equal(later.count[2], 1);
  assert.deepEqual(
    later.guides[0].places.map((place) => place.label),
    ["1&", "3&"],
  );
  assert.equal(later.bars[0].number, 0);
  assert.deepEqual(later.count.slice(0, 3), [3, 4, 1]);
  const back = corrected(data, [
    { kind: "shift", beats: 1 },
    { kind: "shift", beats: -1 },
  ]);
  assert.deepEqual(back.count, data.beats.count);
  assert.deepEqual(
    back.guides[0].places.map((place) => place.label),
    ["2&", "4&"],
  );
});

test("four shifts of a beat are a bar: the same counts", () => {
  const data = songData();
  for (const beats of [4, -4])
    assert.deepEqual(corrected(data, [{ kind: "shift", beats }]).count, data.beats.count);
});

test("the shorter way to a 1", () => {
  const reading = readingOf(songData());
  assert.equal(shiftToOne(reading, 1), 0);
  assert.equal(shiftToOne(reading, 2), 1);
  assert.equal(shiftToOne(reading, 4), -1);
});

test("half the tempo: every other beat, the 1 kept", () => {
  const reading = corrected(songData(), [{ kind: "half" }]);
  assert.equal(reading.bpm, 50);
  near(reading.time[1] - reading.time[0], 1.2);
  const one = reading.count.indexOf(1);
  near(reading.time[one], 1.1);
  // Hits 1.5 and 3.5 quarters into each bar are 0.75, 1.75, 2.75 and 3.75 beats of two: a, on every count.
  assert.deepEqual(
    reading.guides[0].places.map((place) => place.label),
    ["1a", "2a", "3a", "4a"],
  );
});

test("double the tempo: a beat between every two, the 1 kept", () => {
  const reading = corrected(songData(), [{ kind: "double" }]);
  assert.equal(reading.bpm, 200);
  near(reading.time[reading.count.indexOf(1)], 1.1);
  near(reading.time[1] - reading.time[0], 0.3);
  // Two new bars an old one; 1.5 quarters are 3 of the new beats, so the 4; 3.5 are 7, the 4 of the next bar.
  assert.deepEqual(
    reading.guides[0].places.map((place) => place.label),
    ["4"].concat(reading.guides[0].patternBars === 2 ? ["4"] : []),
  );
});

test("double after half gives the beats back", () => {
  const data = songData();
  const reading = corrected(data, [{ kind: "half" }, { kind: "double" }]);
  const ones = reading.time.filter((_, k) => reading.count[k] === 1);
  near(ones[0], 1.1);
  near(reading.bpm, 100);
});

test("meters as they are written", () => {
  const reading = readingOf(songData());
  assert.equal(meterText(reading, 4), "4/4");
  assert.equal(meterText({ ...reading, inThrees: true }, 4), "12/8");
});

test("runs of the plan", () => {
  const kinds = ["guide", "guide", "alone", "guide"];
  assert.deepEqual(planParts({ plan: [0, 0, -1, 1], kinds }), [
    { first: 0, last: 1, guide: 0, kind: "guide" },
    { first: 2, last: 2, guide: -1, kind: "alone" },
    { first: 3, last: 3, guide: 1, kind: "guide" },
  ]);
});
