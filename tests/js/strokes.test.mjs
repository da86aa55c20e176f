import assert from "node:assert/strict";
import test from "node:test";

import { readingOf } from "../../pulsefind/web/reading.mjs";
import { joined } from "../../pulsefind/web/recorder.mjs";
import { takeOf, takeSaid } from "../../pulsefind/web/recordview.mjs";
import { chainDelay, strokesIn } from "../../pulsefind/web/strokes.mjs";
import { songData } from "./fixture.mjs";

const RATE = 44100;

// Decaying noise, loud and soft, over a room that hums and hisses.
function struck(times, seconds, levels = [1]) {
  let state = 5;
  const noise = () => {
    state = (state * 1664525 + 1013904223) % 4294967296;
    return state / 2147483648 - 1;
  };
  const samples = Float32Array.from(
    { length: seconds * RATE },
    (_, k) => 0.002 * noise() + 0.02 * Math.sin((2 * Math.PI * 50 * k) / RATE),
  );
  times.forEach((t, i) => {
    const first = Math.round(t * RATE);
    for (let k = 0; k < 6000 && first + k < samples.length; k += 1)
      samples[first + k] += 0.7 * levels[i % levels.length] * Math.exp(-k / 900) * noise();
  });
  return samples;
}

test("strokes loud and soft are found within 2 ms, and nothing else", () => {
  const times = Array.from({ length: 30 }, (_, k) => 0.3 + 0.21 * k + 0.013 * Math.sin(3 * k));
  const found = strokesIn(struck(times, 8, [1, 0.3, 0.6, 0.15]), RATE);
  assert.equal(found.length, times.length);
  found.forEach((t, k) => assert.ok(Math.abs(t - times[k]) < 0.002, `${1000 * (t - times[k])} ms`));
  assert.deepEqual(strokesIn(new Float32Array(RATE), RATE), []);
  assert.deepEqual(strokesIn(struck([], 3), RATE), []);
});

test("blocks that were dropped leave silence, and what follows keeps its time", () => {
  const block = (frame, value) => ({ frame, samples: new Float32Array(4).fill(value) });
  const { samples, at } = joined([block(8, 1), block(12, 2), block(24, 3)], 100, 1000);
  assert.deepEqual([...samples], [1, 1, 1, 1, 2, 2, 2, 2, 0, 0, 0, 0, 0, 0, 0, 0, 3, 3, 3, 3]);
  assert.equal(at, 10.08);
  assert.equal(joined([], 100, 5).samples.length, 0);
});

test("the delay of a chain is the median of what clicks come later", () => {
  const clicks = [1, 2, 3, 4, 5];
  const { delay, n } = chainDelay([1.08, 2.081, 3.3, 4.079, 5.08], clicks);
  assert.ok(Math.abs(delay - 0.08) < 1e-9 && n === 5);
  assert.equal(chainDelay([1.1, 2.1], clicks), null);
});

test("a take whose chain is known is told as it is; else against the player's own middle", () => {
  const reading = readingOf(songData());
  const times = reading.time.slice(1, 17).map((t) => t + 0.02);
  const sound = { samples: struck(times, 12), rate: RATE, at: 100 };
  // The song's first beat, at 0.5 s, is heard at the context's 100.5 s; the chain adds nothing.
  const known = takeOf(sound, 100.5, 0.5, reading, 0);
  assert.equal(known.marks.length, 16);
  known.marks.forEach((mark) => assert.ok(Math.abs(mark.offset_ms - 20) < 2));
  assert.match(takeSaid(reading, known), /^16 strokes: (19|20|21) ms late on average/);
  const unknown = takeOf(sound, 100.5, 0.5, reading, null);
  unknown.marks.forEach((mark) => assert.ok(Math.abs(mark.offset_ms) < 2));
  assert.match(takeSaid(reading, unknown), /^16 strokes: give or take/);
});
