import assert from "node:assert/strict";
import test from "node:test";

import { Stretcher, TimeMap } from "../../pulsefind/web/stretch.mjs";

const RATE = 44100;

function clicksAt(times, seconds) {
  const samples = new Float32Array(seconds * RATE);
  for (const t of times) {
    const first = Math.round(t * RATE);
    for (let k = 0; k < 400; k += 1)
      samples[first + k] += Math.exp(-k / 80) * Math.cos((2 * Math.PI * 2000 * k) / RATE);
  }
  return samples;
}

function loudestNear(samples, t, reach) {
  const from = Math.max(0, Math.round((t - reach) * RATE));
  const to = Math.min(samples.length, Math.round((t + reach) * RATE));
  let best = from;
  for (let k = from; k < to; k += 1) if (Math.abs(samples[k]) > Math.abs(samples[best])) best = k;
  return best / RATE;
}

// Positive-going zero crossings a second: the pitch of a sine, found without a transform.
function crossings(samples) {
  let n = 0;
  for (let k = 1; k < samples.length; k += 1) if (samples[k - 1] < 0 && samples[k] >= 0) n += 1;
  return (n * RATE) / samples.length;
}

for (const speed of [0.5, 0.75, 0.9, 1.1, 1.25]) {
  test(`hits land on their stretched places at ${speed}`, () => {
    const times = Array.from({ length: 24 }, (_, k) => 0.3 + 0.213 * k + 0.01 * Math.sin(k));
    const bed = clicksAt(times, 6);
    for (let k = 0; k < bed.length; k += 1) bed[k] += 0.1 * Math.sin((2 * Math.PI * 196 * k) / RATE);
    const out = new Stretcher([bed], RATE, times, 0, speed).take(Math.round((5.5 * RATE) / speed))[0];
    const errors = times.map((t) => Math.abs(loudestNear(out, t / speed, 0.05) - t / speed));
    assert.ok(Math.max(...errors) < 0.001, `${1000 * Math.max(...errors)} ms`);
  });

  test(`a tone keeps its pitch and its level at ${speed}`, () => {
    const tone = Float32Array.from(
      { length: 4 * RATE },
      (_, k) => 0.5 * Math.sin((2 * Math.PI * 440 * k) / RATE),
    );
    const out = new Stretcher([tone], RATE, [], 0, speed).take(Math.round((3.5 * RATE) / speed))[0];
    assert.ok(Math.abs(crossings(out) - 440) < 2, `${crossings(out)} Hz`);
    const rms = Math.sqrt(out.reduce((a, x) => a + x * x, 0) / out.length);
    assert.ok(Math.abs(rms - 0.5 / Math.SQRT2) < 0.02, `${rms}`);
  });
}

test("a hit is heard once, also when slowed down", () => {
  const out = new Stretcher([clicksAt([1], 2)], RATE, [1], 0, 0.5).take(3 * RATE)[0];
  const loud = [];
  out.forEach((x, k) => {
    if (Math.abs(x) > 0.5) loud.push(k);
  });
  assert.ok(loud.length > 0 && loud.at(-1) - loud[0] < 0.005 * RATE);
});

test("channels stay together, pieces join to the whole, and the end is silence", () => {
  const left = clicksAt([0.4, 0.9], 1.2);
  const right = left.map((x) => -x);
  const whole = new Stretcher([left, right], RATE, [0.4, 0.9], 0, 0.8).take(2 * RATE);
  const pieces = new Stretcher([left, right], RATE, [0.4, 0.9], 0, 0.8);
  const joined = new Float32Array(2 * RATE);
  for (let at = 0; at < joined.length; at += 4410) joined.set(pieces.take(4410)[0], at);
  assert.deepEqual(joined, whole[0]);
  whole[0].forEach((x, k) => assert.ok(Math.abs(x + whole[1][k]) < 1e-6));
  assert.ok(whole[0].subarray(-1000).every((x) => x === 0));
});

test("the time map never runs backwards and keeps hits in place, also when they crowd", () => {
  const hits = Array.from({ length: 40 }, (_, k) => 0.1 + 0.03 * k);
  for (const speed of [0.5, 1.25]) {
    const map = new TimeMap(hits, 0, speed);
    let last = -1;
    for (let out = 0; out < 2 / speed; out += 0.001) {
      const { time } = map.at(out);
      assert.ok(time >= last - 1e-9);
      last = time;
    }
    const pinned = hits.filter((t) => map.at(t / speed).pinned);
    assert.ok(pinned.length > 10);
  }
});
