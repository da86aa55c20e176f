import assert from "node:assert/strict";
import test from "node:test";

import { commandWords, quoted } from "../../pulsefind/web/command.mjs";
import { barsText, listed, offsetText, percent, placesText, timeText } from "../../pulsefind/web/drawing.mjs";
import { corrected } from "../../pulsefind/web/corrections.mjs";
import { readingOf } from "../../pulsefind/web/reading.mjs";
import { clickSamples, delayAgainst, limited, LIMIT } from "../../pulsefind/web/sound.mjs";
import { songData } from "./fixture.mjs";

test("words", () => {
  assert.equal(timeText(83.456), "1:23.46");
  assert.equal(timeText(59.999), "1:00.00");
  assert.equal(listed(["a", "b", "c"]), "a, b and c");
  assert.equal(percent(1), "99 %");
  assert.equal(offsetText(-4.2), "4 ms early");
  assert.equal(offsetText(0.4), "dead on");
  const reading = readingOf(songData());
  assert.equal(barsText(reading, 1, 4), "bars 1-4");
  assert.equal(barsText(reading, 0, 0), "pickup");
  assert.equal(placesText(reading.guides[0]), "2& and 4&");
});

test("a shell reads the command back", () => {
  assert.equal(quoted("plain-name.wav"), "plain-name.wav");
  assert.equal(quoted("it's $HOME `x`.wav"), "'it'\\''s $HOME `x`.wav'");
  const command = { track: "my song.wav", out: "page.html", hints: [["--meter", "4/4"]] };
  const data = songData();
  assert.equal(
    commandWords(command, readingOf(data), []).join(" "),
    "pulsefind page 'my song.wav' --meter 4/4 --out page.html --force",
  );
  const corrections = [{ kind: "shift", beats: 1 }];
  assert.equal(
    commandWords(command, corrected(data, corrections), corrections).join(" "),
    "pulsefind page 'my song.wav' --meter 4/4 --one-at 1.700 --out page.html --force",
  );
  const half = [{ kind: "half" }];
  assert.ok(commandWords(command, corrected(data, half), half).join(" ").includes("--bpm 45:55"));
  assert.equal(commandWords({ ...command, track: "-x.wav" }, readingOf(data), [])[2], "./-x.wav");
});

test("the limiter is straight below its knee, never passes its limit and never turns round", () => {
  assert.equal(limited(0.5), 0.5);
  assert.equal(limited(-0.5), -0.5);
  let last = -Infinity;
  for (let x = -8; x <= 8; x += 0.01) {
    assert.ok(Math.abs(limited(x)) <= LIMIT + 1e-9);
    assert.ok(limited(x) >= last);
    last = limited(x);
  }
});

test("a click starts at once and ends in silence", () => {
  const samples = clickSamples("one", 44100);
  const loud = samples.findIndex((x) => Math.abs(x) > 0.5);
  assert.ok(loud / 44100 < 0.001);
  assert.ok(Math.abs(samples.at(-1)) < 1e-3);
  assert.ok(samples.every((x) => Math.abs(x) <= 1));
});

function noise(n, seed = 7) {
  let state = seed;
  return Float32Array.from({ length: n }, () => {
    state = (state * 1664525 + 1013904223) % 4294967296;
    return state / 2147483648 - 1;
  });
}

function smooth(samples, n) {
  return samples.map((_, k) => {
    let sum = 0;
    for (let i = 0; i < n; i += 1) sum += samples[k + i] ?? 0;
    return sum / n;
  });
}

// Means of four, the k-th centred at sample 4 k: what the page carries.
function excerptOf(samples, first, n) {
  const cut = Float32Array.from({ length: n }, (_, k) => {
    let sum = 0;
    for (let i = -2; i < 2; i += 1) sum += samples[4 * (first + k) + i];
    return sum / 4;
  });
  return { at: first / 11025, rate: 11025, samples: cut };
}

test("a codec's delay is found to a twentieth of a millisecond", () => {
  const original = smooth(noise(3 * 44100), 6);
  const excerpt = excerptOf(original, 11025, 5000);
  for (const delay of [0, 1105, 2257, -529]) {
    const copy = Float32Array.from({ length: original.length }, (_, k) => 0.7 * (original[k - delay] ?? 0));
    const found = delayAgainst(excerpt, copy, 44100);
    assert.ok(Math.abs(found - delay / 44100) < 5e-5, `${found * 44100} samples, not ${delay}`);
  }
  assert.equal(delayAgainst(excerpt, smooth(noise(3 * 44100, 99), 6), 44100), null);
});
