// One truth for counts and clicks: the page keeps the table that tests/test_one_count.py keeps for the command line.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import test from "node:test";

import { clickSet, clicksBetween, countIn, thinning } from "../../pulsefind/web/clickset.mjs";
import { readingOf } from "../../pulsefind/web/reading.mjs";

const table = JSON.parse(readFileSync(new URL("one_count.json", import.meta.url), "utf8"));
const reading = readingOf(table.data);

// What Python hands over is rounded to a hundredth of a millisecond.
const near = (found, expected) => {
  assert.equal(found.length, expected.length, `${found} / ${expected}`);
  found.forEach((t, k) => assert.ok(Math.abs(t - expected[k]) < 3e-5, `${t} / ${expected[k]}`));
};
const times = (set, startBar = 0) => clicksBetween(reading, set, 0, 100, startBar).map((click) => click.time);

for (const [on, expected] of Object.entries(table.clicks)) {
  test(`clicks on ${on}`, () => {
    const known = reading.presets.some((preset) => preset.on === on);
    near(times(known ? clickSet(on) : clickSet("places", { places: on.split(" ") })), expected);
  });
}

test("help fades", () => {
  near(times(clickSet("beats", { stages: thinning(reading, 2) }), 1), table.fading_every_2_bars);
});

for (const [bar, expected] of Object.entries(table.count_in)) {
  test(`count-in to bar ${bar}`, () => {
    const { start } = reading.bars[Number(bar)];
    near(
      countIn(reading, Number(bar), 1).map((click) => start + click.time),
      expected,
    );
  });
}
