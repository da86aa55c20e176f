import assert from "node:assert/strict";
import test from "node:test";

import {
  accentOf,
  clickSet,
  clicksBetween,
  countIn,
  guideHitsBetween,
  thinning,
  wantedPlaces,
} from "../../pulsefind/web/clickset.mjs";
import { readingOf } from "../../pulsefind/web/reading.mjs";
import { songData } from "./fixture.mjs";

const reading = readingOf(songData());
const all = (set) => clicksBetween(reading, set, 0, 100, 1);

test("every beat, pickup included", () => {
  assert.deepEqual(
    all(clickSet("beats")).map((click) => click.time),
    reading.time,
  );
});

test("presets", () => {
  assert.deepEqual([...new Set(all(clickSet("backbeat")).map((click) => click.label))].sort(), ["2", "4"]);
  assert.equal(all(clickSet("1")).length, 8);
  assert.equal(all(clickSet("1 every 2")).length, 4);
  assert.equal(all(clickSet("1 every 4")).length, 2);
  assert.equal(all(clickSet("none")).length, 0);
  assert.equal(all(clickSet("&")).length, 33);
});

test("the guide's places sound where its hits are", () => {
  const clicks = all(clickSet("guide")).map((click) => click.time);
  const { time } = reading.guides[0].hits;
  assert.equal(clicks.length, time.length);
  clicks.forEach((t, k) => assert.ok(Math.abs(t - time[k]) < 1e-9));
});

test("windows share no click and lose none", () => {
  const set = clickSet("places", { places: ["1", "2&", "3a"] });
  const whole = all(set).map((click) => click.time);
  const pieces = [];
  for (let from = 0; from < 100; from += 0.37)
    pieces.push(...clicksBetween(reading, set, from, from + 0.37, 1).map((click) => click.time));
  assert.deepEqual(pieces, whole);
});

test("gaps: two bars on, one off", () => {
  const heard = [...new Set(all(clickSet("1", { gapOn: 2, gapOff: 1 })).map((click) => click.bar))];
  assert.deepEqual(heard, [1, 2, 4, 5, 7, 8]);
});

test("thinning runs through its steps and stays on the last", () => {
  const set = clickSet("beats", { stages: thinning(reading, 2) });
  const sizes = [1, 3, 4, 5, 6, 7, 8].map((bar) => wantedPlaces(reading, set, bar, bar - 1).length);
  assert.deepEqual(sizes, [4, 1, 1, 1, 0, 0, 0]);
  assert.deepEqual(wantedPlaces(reading, set, 8, 500), []);
});

test("count-in: a whole bar, at the tempo that follows, and into a pickup the counts before it", () => {
  const plain = countIn(reading, 1, 1);
  assert.deepEqual(
    plain.map((click) => click.label),
    ["1", "2", "3", "4"],
  );
  assert.ok(Math.abs(plain[0].time + 2.4) < 1e-9);
  const pickup = countIn(reading, 0, 1);
  assert.deepEqual(
    pickup.map((click) => click.label),
    ["1", "2", "3", "4", "1", "2", "3"],
  );
  assert.equal(countIn(reading, 1, 0).length, 0);
});

test("guide hits in a window, and of the guide in charge", () => {
  const hits = guideHitsBetween(reading, "plan", 0, 100);
  assert.deepEqual(
    hits.map((hit) => hit.time),
    reading.guides[0].hits.time,
  );
  assert.deepEqual(
    guideHitsBetween(reading, 0, hits[2].time, hits[4].time).map((hit) => hit.time),
    [hits[2].time, hits[3].time],
  );
});

test("accents", () => {
  assert.deepEqual(["1", "2", "2&", "10"].map(accentOf), ["one", "beat", "between", "beat"]);
});
