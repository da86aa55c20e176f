// The take: how the player moved against the track, bar by bar, place by place, and how errors were taken back.

import { $, el, svg } from "./drawing.mjs";
import { positionAt } from "./reading.mjs";

const LEFT = 46;
const RIGHT = 8;
const TEMPO_H = 64;
const HEIGHT = 306;
const ZERO_Y = 186;
const HALF_H = 88;
const LEAST_REACH_MS = 30;
const LEAST_BAR_PX = 7;
const FEWEST_HITS = 4;

// Mean and spread of the hits of every bar of a reading: { n, mean, spread } each, n = 0 where nothing was played.
export function offsetsByBar(reading, hits) {
  const groups = reading.bars.map(() => []);
  hits.nominal_s.forEach((t, k) => {
    // A place lies at its bar's very start or after it; half a millisecond is room for rounding.
    const at = positionAt(reading, t + 0.0005);
    if (at) groups[at.bar].push(hits.offset_ms[k]);
  });
  return groups.map(meanAndSpread);
}

function meanAndSpread(offsets) {
  const n = offsets.length;
  if (!n) return { n: 0, mean: 0, spread: 0 };
  const mean = offsets.reduce((a, b) => a + b, 0) / n;
  return { n, mean, spread: Math.sqrt(offsets.reduce((a, b) => a + (b - mean) ** 2, 0) / n) };
}

// "9 ms early", or "9 ms earlier than usual": how far from the player's usual where an overall early or late can't be told.
export function leanText(ms, known) {
  const size = Math.abs(ms).toFixed(0);
  if (size === "0") return known ? "on the beat" : "as usual";
  if (known) return `${size} ms ${ms < 0 ? "early" : "late"}`;
  return `${size} ms ${ms < 0 ? "earlier" : "later"} than usual`;
}

// The same under a column's head that says against what.
export function leanCell(ms, known) {
  return leanText(ms, known).replace(/ than usual$/, "");
}

export class TakeView {
  constructor(app) {
    this.app = app;
    app.on("reading", () => this.fit());
  }

  draw() {
    this.fit();
  }

  fit() {
    if ($("view-take").hidden) return;
    const names = ["words", "course", "table", "places", "alone", "corrections", "history", "next"];
    const boxes = Object.fromEntries(names.map((name) => [name, $(`take-${name}`)]));
    drawTake(boxes, this.app.reading, this.app.data.take, this.app.corrections.length > 0);
  }
}

// moved: has the reading been corrected in the page since the take was reviewed?
export function drawTake(boxes, reading, take, moved) {
  const bars = offsetsByBar(reading, take.hits);
  boxes.words.replaceChildren(...takeWords(take, moved).map((words) => el("p", {}, words)));
  drawCourse(boxes.course, reading, take, bars);
  drawBarTable(boxes.table, reading, take, bars);
  boxes.places.replaceChildren(...placeCards(take));
  boxes.alone.replaceChildren(...aloneItems(take));
  boxes.corrections.replaceChildren(...correctionItems(take, boxes.corrections.clientWidth));
  drawHistory(boxes.history, take.history);
  boxes.next.replaceChildren(...nextItems(take));
}

export function takeWords(take, moved) {
  const { whole } = take;
  const lean = take.offset_known ? `${leanText(whole.offset_ms, true)} on average, ` : "";
  return [
    `${take.recording}: ${whole.n} hits on places, ${take.missed.length} of your own pattern missed, ${take.extra} on no place.`,
    `${sentence(`${lean}give or take ${whole.spread_ms.toFixed(0)} ms`)} At your spacing of notes listeners just notice a shift of ${take.noticeable_ms.toFixed(0)} ms.`,
    ...take.notes.map(sentence),
    ...(moved
      ? [
          "You corrected the beats in this page. Offsets bar by bar follow that; places, stretches alone and corrections keep the counts and bar numbers of the review. Review the take again with the corrected beats to change them.",
        ]
      : []),
  ];
}

function capital(text) {
  return `${text[0].toUpperCase()}${text.slice(1)}`;
}

function sentence(text) {
  return `${capital(text)}${/[.!?]$/.test(text) ? "" : "."}`;
}

// ---- along the song

function drawCourse(box, reading, take, bars) {
  const span = reading.end - reading.bars[0].start;
  const width = Math.max(box.clientWidth, LEFT + RIGHT + LEAST_BAR_PX * reading.bars.length);
  const x = (t) => LEFT + ((t - reading.bars[0].start) / span) * (width - LEFT - RIGHT);
  const reach = Math.max(LEAST_REACH_MS, ...bars.map((bar) => Math.abs(bar.mean) + bar.spread));
  const y = (ms) => ZERO_Y + (ms / reach) * HALF_H;
  const parts = [
    ...tempoParts(reading, x, width),
    svg("rect", {
      class: "unheard",
      x: LEFT,
      y: y(-take.noticeable_ms),
      width: width - LEFT - RIGHT,
      height: y(take.noticeable_ms) - y(-take.noticeable_ms),
    }),
    ...aloneParts(reading, x),
    svg("line", { class: "zero", x1: LEFT, x2: width - RIGHT, y1: ZERO_Y, y2: ZERO_Y }),
    ...bars.flatMap((bar, k) => (bar.n ? barParts(reading.bars[k], bar, x, y) : [])),
    ...take.missed.map((t) => missedMark(x(t))),
    ...axisParts(reach, y),
    ...numberParts(reading, x),
  ];
  box.replaceChildren(
    svg(
      "svg",
      {
        width,
        height: HEIGHT,
        viewBox: `0 0 ${width} ${HEIGHT}`,
        role: "img",
        "aria-label": courseWords(reading, take),
      },
      ...parts,
    ),
  );
}

export function courseWords(reading, take) {
  const told = take.sections.map(
    (section) =>
      `${numbersText(section)}, ${section.name}: ${section.n ? leanText(section.offset_ms, take.offset_known) : "nothing played"}`,
  );
  return `Tempo of the track, and early and late of the take under it. ${told.join("; ")}.`;
}

function tempoParts(reading, x, width) {
  const whole = reading.bars.filter((bar) => bar.n > 1 || reading.bars.length < 3);
  const low = Math.min(...whole.map((bar) => bar.bpm));
  const high = Math.max(...whole.map((bar) => bar.bpm));
  const middle = (low + high) / 2;
  const reach = Math.max(2, (high - low) / 2 + 0.5);
  const y = (bpm) => TEMPO_H / 2 + 4 - ((bpm - middle) / reach) * (TEMPO_H / 2 - 6);
  const path = whole
    .map((bar, k) => `${k ? "L" : "M"}${x((bar.start + bar.end) / 2).toFixed(1)} ${y(bar.bpm).toFixed(1)}`)
    .join("");
  return [
    svg("line", { class: "grid-line", x1: LEFT, x2: width - RIGHT, y1: y(middle), y2: y(middle) }),
    svg("text", { class: "axis", x: LEFT - 6, y: y(middle) + 4, "text-anchor": "end" }, middle.toFixed(0)),
    svg("text", { class: "axis", x: LEFT, y: TEMPO_H + 18 }, "tempo of the track, bpm"),
    svg("path", { class: "curve", d: path }),
  ];
}

function aloneParts(reading, x) {
  const y = ZERO_Y - HALF_H;
  return reading.bars.flatMap((bar, k) =>
    reading.plan[k] < 0
      ? [
          svg("rect", {
            class: "hatch",
            x: x(bar.start),
            y,
            width: x(bar.end) - x(bar.start),
            height: 2 * HALF_H,
          }),
        ]
      : [],
  );
}

// A column from zero to the bar's mean, and a line over what one hit in three lies beyond.
function barParts(bar, offsets, x, y) {
  const room = x(bar.end) - x(bar.start);
  const from = x(bar.start) + 0.15 * room;
  const middle = (x(bar.start) + x(bar.end)) / 2;
  const top = Math.min(y(0), y(offsets.mean));
  return [
    svg("rect", {
      class: offsets.mean < 0 ? "column early" : "column late",
      x: from,
      y: top,
      width: 0.7 * room,
      height: Math.max(1.5, Math.abs(y(offsets.mean) - y(0))),
    }),
    svg("line", {
      class: "reach",
      x1: middle,
      x2: middle,
      y1: y(offsets.mean - offsets.spread),
      y2: y(offsets.mean + offsets.spread),
    }),
  ];
}

function missedMark(x) {
  const y = ZERO_Y + HALF_H + 8;
  return svg("path", { class: "missed", d: `M${x - 3} ${y - 3}l6 6m0 -6l-6 6` });
}

function axisParts(reach, y) {
  const step = reach > 150 ? 100 : reach > 60 ? 50 : 20;
  const marks = [-step, 0, step].map((ms) =>
    svg("text", { class: "axis", x: LEFT - 6, y: y(ms) + 4, "text-anchor": "end" }, String(Math.abs(ms))),
  );
  return [
    ...marks,
    svg("text", { class: "axis", x: LEFT - 6, y: ZERO_Y - HALF_H, "text-anchor": "end" }, "early"),
    svg("text", { class: "axis", x: LEFT - 6, y: ZERO_Y + HALF_H + 10, "text-anchor": "end" }, "late"),
  ];
}

function numberParts(reading, x) {
  let free = -Infinity;
  return reading.bars.flatMap((bar) => {
    if (bar.number < 1 || (bar.number - 1) % 4 || x(bar.start) < free) return [];
    free = x(bar.start) + 34;
    return [svg("text", { class: "axis", x: x(bar.start), y: HEIGHT - 4 }, String(bar.number))];
  });
}

function drawBarTable(table, reading, take, bars) {
  const head = el(
    "thead",
    {},
    el(
      "tr",
      {},
      ...[
        "Bar",
        "To follow",
        "Hits",
        take.offset_known ? "On average" : "Against your usual",
        "Give or take",
      ].map((text) => el("th", { scope: "col" }, text)),
    ),
  );
  const rows = bars.flatMap((bar, k) =>
    bar.n
      ? [
          el(
            "tr",
            {},
            el("th", { scope: "row" }, reading.bars[k].number || "pickup"),
            el("td", {}, reading.plan[k] < 0 ? "alone" : "guide"),
            el("td", {}, String(bar.n)),
            el("td", {}, leanCell(bar.mean, take.offset_known)),
            el("td", {}, `${bar.spread.toFixed(0)} ms`),
          ),
        ]
      : [],
  );
  table.replaceChildren(el("caption", {}, "The take bar by bar"), head, el("tbody", {}, ...rows));
}

// ---- place by place

function placeCards(take) {
  const shown = take.places.filter((place) => place.n >= FEWEST_HITS);
  const rarer = take.places.length - shown.length;
  return [
    ...shown.map((place) => placeCard(place, take)),
    rarer ? el("p", { class: "rarer" }, `And ${rarer} with fewer than ${FEWEST_HITS} hits.`) : null,
  ].filter(Boolean);
}

function placeCard(place, take) {
  const width = 190;
  const height = 92;
  const edges = take.histogram_edges_ms;
  const most = Math.max(1, ...place.histogram);
  const step = (width - 16) / place.histogram.length;
  const columns = place.histogram.map((n, k) =>
    svg("rect", {
      class: "column",
      x: 8 + k * step + 0.5,
      y: 70 - (n / most) * 62,
      width: step - 1,
      height: (n / most) * 62,
    }),
  );
  const zero = 8 + ((0 - edges[0]) / (edges.at(-1) - edges[0])) * (width - 16);
  const scale = [edges[0], 0, edges.at(-1)].map((ms, k) =>
    svg(
      "text",
      { class: "axis", x: [4, zero, width - 4][k], y: 87, "text-anchor": ["start", "middle", "end"][k] },
      [`${-ms} early`, "0", `${ms} late`][k],
    ),
  );
  return el(
    "div",
    { class: "lens" },
    el("h3", {}, capital(`${place.kind} on ${place.place}`)),
    svg(
      "svg",
      { width, height, viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" },
      ...columns,
      svg("line", { class: "zero", x1: zero, x2: zero, y1: 4, y2: 74 }),
      ...scale,
    ),
    el(
      "p",
      {},
      `${leanText(place.offset_ms, take.offset_known)}, give or take ${place.spread_ms.toFixed(0)} ms; ${place.n} hits in ${place.bars} bars`,
    ),
  );
}

// ---- alone, and back

function numbersText({ first_bar: first, last_bar: last }) {
  // Numbers count from the first full bar; what stands before it is the pickup.
  if (first === 0) return last ? `up to bar ${last}` : "the pickup";
  return first === last ? `bar ${first}` : `bars ${first} to ${last}`;
}

function aloneItems(take) {
  if (!take.drifts.length)
    return [el("li", {}, "There was no stretch alone of two bars or more in what you played.")];
  return take.drifts.map((drift) =>
    el("li", {}, el("b", {}, capital(numbersText(drift))), `: ${driftWords(drift)}`),
  );
}

export function driftWords(drift) {
  const held = Math.abs(drift.ms_per_bar) < 2 * drift.error_ms;
  const way = drift.ms_per_bar < 0 ? "faster" : "slower";
  const moved = held
    ? "held within what can be measured"
    : `${Math.abs(drift.ms_per_bar).toFixed(0)} ms a bar ${way}`;
  const end = `${Math.abs(drift.end_offset_ms).toFixed(0)} ms ${drift.end_offset_ms < 0 ? "ahead" : "behind"} at its end`;
  const back =
    drift.back_after_bars === null
      ? "not back by the end of the take"
      : `back after ${drift.back_after_bars} ${drift.back_after_bars === 1 ? "bar" : "bars"}`;
  return `${drift.player_bpm.toFixed(1)} bpm on the track's ${drift.track_bpm.toFixed(1)}, ${moved}; ${end}, ${back}.`;
}

function correctionItems(take, width) {
  if (!take.corrections.length) return [el("p", {}, "Nothing had to be taken back.")];
  return take.corrections.map((found) =>
    el(
      "div",
      { class: "correction" },
      el(
        "p",
        {},
        el("b", {}, `From ${numbersText({ first_bar: found.first_bar, last_bar: found.first_bar })}`),
        `, ${correctionWords(found)}`,
      ),
      stretchedBar(found.notes, Math.min(820, Math.max(280, width))),
    ),
  );
}

export function correctionWords(found) {
  const share = found.spread_share;
  const how = share >= 0.75 ? "evenly" : share < 0.25 ? "in one jump" : "over part of the notes";
  const cause = found.cause === "alone" ? "after the stretch alone" : "after a slip";
  return `${cause}: ${Math.abs(found.size_ms).toFixed(0)} ms were taken back in ${found.bars} ${found.bars === 1 ? "bar" : "bars"}, ${how} (evenness ${share.toFixed(2)}, 1 is perfectly even). There the spaces were played ${Math.abs(100 * found.stretch - 100).toFixed(0)} % ${found.stretch > 1 ? "wider" : "narrower"} than written.`;
}

// The spaces between the notes as written, as played, and as an even correction has them, one row under the other.
function stretchedBar(notes, width) {
  if (notes.length < 2) return null;
  const rows = [
    ["written", notes.map((note) => note.nominal_ms)],
    ["played", notes.map((note) => note.played_ms)],
    ["even", notes.map((note) => note.even_ms)],
  ];
  const left = 62;
  const longest = Math.max(...rows.map(([, spaces]) => spaces.reduce((a, b) => a + b, 0)));
  const scale = (width - left - 4) / longest;
  const drawn = rows.flatMap(([name, spaces], row) => {
    let at = left;
    const y = 18 + row * 34;
    const parts = [svg("text", { class: "axis", x: left - 8, y: y + 19, "text-anchor": "end" }, name)];
    spaces.forEach((ms, k) => {
      const room = ms * scale;
      const change = Math.round(ms - notes[k].nominal_ms);
      parts.push(
        svg("rect", {
          class: row === 1 && Math.abs(change) >= 1 ? "space changed" : "space",
          x: at,
          y,
          width: Math.max(1, room - 1),
          height: 28,
        }),
      );
      if (row && room > 30)
        parts.push(
          svg(
            "text",
            { class: "space-word", x: at + room / 2, y: y + 19, "text-anchor": "middle" },
            change > 0 ? `+${change}` : change < 0 ? `\u2212${-change}` : "0",
          ),
        );
      if (!row && room > 22) parts.push(svg("text", { class: "axis", x: at, y: 12 }, notes[k].place));
      at += room;
    });
    return parts;
  });
  const said = notes.map(
    (note) =>
      `${note.place}: ${note.nominal_ms.toFixed(0)} written, ${note.played_ms.toFixed(0)} played, ${note.even_ms.toFixed(0)} if even`,
  );
  return svg(
    "svg",
    {
      width,
      height: 122,
      viewBox: `0 0 ${width} 122`,
      role: "img",
      "aria-label": `Spaces in ms, from each place to the next. ${said.join("; ")}.`,
    },
    ...drawn,
  );
}

// ---- takes so far, and what next

function drawHistory(box, history) {
  if (history.length < 2) {
    box.replaceChildren(
      el(
        "p",
        {},
        "One take only. Reviews made with ",
        el("code", {}, "--history FILE"),
        " show here how your takes come along.",
      ),
    );
    return;
  }
  const most = Math.max(...history.map((entry) => entry.spread_ms));
  box.replaceChildren(
    el("p", {}, "Spread of the hits, in ms: the less, the tighter."),
    el(
      "ol",
      { class: "takes" },
      ...history.map((entry) => {
        const alone =
          entry.worst_alone_ms === null
            ? ""
            : `; alone up to ${Math.abs(entry.worst_alone_ms).toFixed(0)} ms ${entry.worst_alone_ms < 0 ? "ahead" : "behind"}`;
        const bar = svg(
          "svg",
          { class: "take-bar", "aria-hidden": "true", preserveAspectRatio: "none", viewBox: "0 0 100 10" },
          svg("rect", {
            class: "column",
            x: 0,
            y: 0,
            width: Math.max(1, (100 * entry.spread_ms) / most),
            height: 10,
          }),
        );
        return el(
          "li",
          {},
          el("span", { dir: "auto" }, `${entry.reviewed_at.slice(0, 10)} ${entry.recording}`),
          bar,
          el("span", {}, `${entry.spread_ms.toFixed(1)} ms${alone}`),
        );
      }),
    ),
  );
}

function nextItems(take) {
  if (!take.practice) return [];
  const { what, why, command } = take.practice;
  return [
    el("p", {}, sentence(`${what}; ${why}`)),
    el("pre", { tabindex: 0, "aria-label": "The command that makes this exercise" }, command),
  ];
}
