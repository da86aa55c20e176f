import assert from "node:assert/strict";
import test from "node:test";

import { readingOf } from "../../pulsefind/web/reading.mjs";
import {
  evenness,
  firstHit,
  judgeHold,
  judgeOne,
  median,
  randomStart,
  tapDelay,
} from "../../pulsefind/web/training.mjs";
import { songData } from "./fixture.mjs";

const reading = readingOf(songData());
const near = (actual, expected, within = 1e-6) =>
  assert.ok(Math.abs(actual - expected) <= within, `${actual} is not ${expected}`);

test("the delay is the median of the taps after the first two", () => {
  const clicks = Array.from({ length: 12 }, (_, k) => k * 0.6);
  assert.equal(tapDelay(clicks.slice(0, 5), clicks), null);
  const taps = clicks.map((t, k) => t + (k < 2 ? 0.2 : 0.08));
  near(tapDelay(taps, clicks).delay, 0.08);
  near(tapDelay(taps, clicks).spread, 0);
  taps[5] += 0.15;
  near(tapDelay(taps, clicks).delay, 0.08);
  assert.equal(median([3, 1, 2]), 2);
  assert.equal(median([1, 2, 3, 4]), 2.5);
});

test("a tap is judged by the nearest place", () => {
  const start = reading.bars[3].start;
  assert.equal(judgeOne(reading, start + 0.05).right, true);
  assert.equal(judgeOne(reading, start - 0.05).right, true);
  assert.deepEqual(
    [judgeOne(reading, start + 0.6).right, judgeOne(reading, start + 0.6).place],
    [false, "2"],
  );
  assert.equal(judgeOne(reading, -5), null);
});

test("riddles start inside the guide and never on the 1", () => {
  for (let k = 0; k < 50; k += 1) {
    const start = randomStart(reading, () => (k * 0.618) % 1);
    const bar = reading.bars[start.bar];
    assert.ok(reading.plan[start.bar] === 0 && start.time > bar.start && start.time < bar.end);
    const hit = firstHit(reading, start.guide, start.time);
    assert.ok(["2&", "4&"].includes(hit.place) && hit.time >= start.time);
  }
  assert.equal(randomStart({ ...reading, plan: reading.plan.map(() => -1) }), null);
});

test("steady late taps: offset without spread or drift", () => {
  const verdict = judgeHold(
    reading,
    reading.time.slice(1, 21).map((t) => t + 0.02),
  );
  assert.equal(verdict.n, 20);
  near(verdict.mean, 20);
  near(verdict.spread, 0);
  near(verdict.drift, 0, 1e-3);
  assert.equal(judgeHold(reading, [1]), null);
});

test("taps that fall behind by 10 ms a beat drift by 1000 ms a minute at 100 bpm", () => {
  const verdict = judgeHold(
    reading,
    reading.time.slice(1, 16).map((t, k) => t + 0.01 * k),
  );
  near(verdict.drift, 1000, 1);
});

test("evenness: shared steps give 1, one jump gives 0", () => {
  near(evenness([0, 5, 10, 15, 20]), 1);
  near(evenness([0, 0, 0, 20, 20]), 0);
  near(evenness([0, 0]), 1);
  // Two equal jumps among four steps: (1/2 - 1/4) / (1 - 1/4).
  near(evenness([0, 10, 10, 20, 20]), 1 / 3);
});
