import assert from "node:assert/strict";
import { test } from "node:test";

import { shifted } from "../../pulsefind/web/corrections.mjs";
import { readingOf } from "../../pulsefind/web/reading.mjs";
import { clicksOf, correctionWords, driftWords, leanCell, leanText } from "../../pulsefind/web/takeparts.mjs";
import { offsetsByBar, takeWords, verdict, worstBars } from "../../pulsefind/web/takeview.mjs";
import { songData } from "./fixture.mjs";

test("an exercise for the command line is one in the page, where the page has it", () => {
  const bars = clicksOf("pulsefind click 'a --on b.wav' --clickless 3:2");
  assert.deepEqual(bars, { on: "beats", gapOn: 3, gapOff: 2 });
  assert.deepEqual(clicksOf('pulsefind click a.wav --on "2&"'), { on: "places", places: ["2&"] });
  assert.equal(clicksOf("pulsefind click a.wav --ladder"), null);
});

test("hits are gathered by bar; mean and spread are those of the numbers put in", () => {
  const reading = readingOf(songData());
  const one = (bar) => reading.bars[bar].start;
  const hits = {
    nominal_s: [one(1), one(1) + 0.6, one(2), one(2) + 1.2, one(4)],
    offset_ms: [-10, -20, 5, 9, 3],
  };
  const bars = offsetsByBar(reading, hits);
  assert.equal(bars.length, reading.bars.length);
  assert.deepEqual(
    bars.map((bar) => bar.n),
    [0, 2, 2, 0, 1, 0, 0, 0, 0],
  );
  // (-10 - 20) / 2 and half their distance.
  assert.ok(Math.abs(bars[1].mean + 15) < 1e-9 && Math.abs(bars[1].spread - 5) < 1e-9);
  assert.ok(Math.abs(bars[2].mean - 7) < 1e-9 && Math.abs(bars[2].spread - 2) < 1e-9);
});

test("a moved 1 moves the hits to other bars", () => {
  const reading = readingOf(songData());
  const hits = { nominal_s: [reading.bars[1].start], offset_ms: [4] };
  const later = shifted(reading, 1);
  const k = offsetsByBar(later, hits).findIndex((bar) => bar.n === 1);
  assert.ok(later.bars[k].start < hits.nominal_s[0] && hits.nominal_s[0] < later.bars[k].end);
});

test("a hit on the 1 belongs to its bar, whatever its rounding; one outside the bars to none", () => {
  const reading = readingOf(songData());
  const edge = reading.bars[3].start;
  const bars = offsetsByBar(reading, {
    nominal_s: [edge - 1e-6, edge + 1e-6, reading.end + 3],
    offset_ms: [1, 3, 50],
  });
  assert.deepEqual([bars[3].n, bars[3].mean], [2, 2]);
  assert.equal(
    bars.reduce((sum, bar) => sum + bar.n, 0),
    2,
  );
});

test("early and late are said, and that they can't be told", () => {
  assert.equal(leanText(-8.6, true), "9 ms early");
  assert.equal(leanText(12, true), "12 ms late");
  assert.equal(leanText(0.2, true), "on the beat");
  assert.equal(leanText(12, false), "12 ms later than usual");
  assert.deepEqual(
    [leanCell(12, false), leanCell(0, false), leanCell(-3, true)],
    ["12 ms later", "as usual", "3 ms early"],
  );
  const take = {
    recording: "a.wav",
    whole: { offset_ms: 7, spread_ms: 11, n: 40 },
    missed: [1],
    extra: 2,
    noticeable_ms: 6,
    notes: ["the start can't be told", "by ear."],
    offset_known: false,
  };
  const words = takeWords(take, false).join(" ");
  assert.match(words, /40 hits on places, 1 of your own pattern missed, 2 on no place/);
  // Notes are said as sentences, whether they end as one or not.
  assert.match(words, /\. Give or take 11 ms\. .* The start can't be told\. By ear\.$/);
  assert.doesNotMatch(words, /7 ms/);
  assert.match(takeWords({ ...take, offset_known: true }, false).join(" "), /7 ms late on average/);
  assert.doesNotMatch(words, /corrected the beats/);
  assert.match(takeWords(take, true).join(" "), /keep the counts and bar numbers of the review/);
});

test("drift and correction in words", () => {
  const drift = {
    ms_per_bar: -12,
    error_ms: 2,
    player_bpm: 101,
    track_bpm: 100,
    end_offset_ms: -48,
    back_after_bars: 1,
  };
  assert.equal(
    driftWords(drift),
    "101.0 bpm on the track's 100.0, 12 ms a bar faster; 48 ms ahead at its end, back after 1 bar.",
  );
  assert.match(
    driftWords({ ...drift, error_ms: 9, back_after_bars: null }),
    /held within what can be measured.*not back/,
  );
  const found = { cause: "slip", size_ms: 66, bars: 2, spread_share: 0.1, stretch: 1.02 };
  assert.match(
    correctionWords(found),
    /after a slip: 66 ms were taken back in 2 bars, in one jump.*spaces were played 2 % wider than written/,
  );
  assert.match(correctionWords({ ...found, spread_share: 0.9 }), /evenly/);
});

test("the verdict and the worst bars come first", () => {
  const take = { whole: { offset_ms: 7, spread_ms: 11 }, noticeable_ms: 6, offset_known: true };
  assert.equal(verdict(take), "Close: 7 ms late, give or take 11 ms.");
  assert.equal(
    verdict({ ...take, offset_known: false, whole: { offset_ms: 7, spread_ms: 5 } }),
    "Nobody hears it: give or take 5 ms.",
  );
  const bars = [5, -40, 12, 30, -20, 90].map((mean, k) => ({ n: k === 5 ? 1 : 4, mean, spread: 1 }));
  assert.deepEqual(
    worstBars(bars, 6).map(({ bar }) => bar),
    [1, 3, 4],
  );
  assert.deepEqual(worstBars(bars, 100), []);
});
