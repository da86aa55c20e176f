// The take: how the player moved against the track, bar by bar, place by place, and how errors were taken back.

import { $, barName, el } from "./drawing.mjs";
import { planParts, positionAt } from "./reading.mjs";
import { ribbon, ribbonWords } from "./ribbon.mjs";
import {
  aloneItems,
  correctionItems,
  drawHistory,
  leanCell,
  leanText,
  nextItems,
  numbersText,
  placeCards,
  sentence,
} from "./takeparts.mjs";

const WORST = 3;
const FEWEST_IN_A_BAR = 2;

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
    const names = [
      "verdict",
      "worst",
      "words",
      "course",
      "table",
      "places",
      "alone",
      "corrections",
      "history",
      "next",
    ];
    const boxes = Object.fromEntries(names.map((name) => [name, $(`take-${name}`)]));
    drawTake(boxes, this.app);
  }
}

function drawTake(boxes, app) {
  const { reading } = app;
  const { take } = app.data;
  const bars = offsetsByBar(reading, take.hits);
  boxes.verdict.textContent = verdict(take);
  boxes.worst.replaceChildren(...worstItems(app, bars));
  boxes.words.replaceChildren(
    ...takeWords(take, app.corrections.length > 0).map((words) => el("p", {}, words)),
  );
  drawRibbon(boxes.course, reading, take);
  drawBarTable(boxes.table, reading, take, bars);
  boxes.places.replaceChildren(...placeCards(take));
  boxes.alone.replaceChildren(...aloneItems(take));
  boxes.corrections.replaceChildren(...correctionItems(take, boxes.corrections.clientWidth));
  drawHistory(boxes.history, take.history);
  boxes.next.replaceChildren(...nextItems(take, (change) => practise(app, change)));
}

// The exercise, begun from the first bar; the view Kit shows what clicks.
function practise(app, change) {
  app.setClicks(change);
  app.setLoop(null);
  app.playFrom(0);
}

// What one would say first: how tight, and which way.
export function verdict(take) {
  const { whole } = take;
  const lean = take.offset_known ? `${leanText(whole.offset_ms, true)}, ` : "";
  const share = whole.spread_ms / take.noticeable_ms;
  const word = share < 1 ? "Nobody hears it" : share < 2 ? "Close" : "Listeners notice";
  return `${word}: ${lean}give or take ${whole.spread_ms.toFixed(0)} ms.`;
}

// The bars that lie farthest off, worst first: [{ bar, mean }]; bars within what is noticed are none.
export function worstBars(bars, noticeableMs) {
  return bars
    .map(({ n, mean }, bar) => ({ n, mean, bar }))
    .filter(({ n, mean }) => n >= FEWEST_IN_A_BAR && Math.abs(mean) > noticeableMs)
    .sort((a, b) => Math.abs(b.mean) - Math.abs(a.mean))
    .slice(0, WORST);
}

function worstItems(app, bars) {
  const { reading, data } = app;
  const found = worstBars(bars, data.take.noticeable_ms);
  if (!found.length) return [el("li", {}, "No bar lies farther off than listeners notice.")];
  return found.map(({ bar, mean }) => {
    const from = Math.max(0, bar - 1);
    const hear = {
      click: () =>
        app.play({ startBar: from, endBar: Math.min(reading.bars.length - 1, bar + 1), loop: null }),
    };
    const alone = reading.kinds[bar] === "alone" ? ", alone" : "";
    const words = `${barName(reading, bar)}${alone}: ${leanText(mean, data.take.offset_known)} `;
    return el(
      "li",
      {},
      el("span", {}, words),
      el("button", { type: "button", on: hear }, `Play around ${barName(reading, bar)}`),
    );
  });
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

// ---- along the song

function drawRibbon(box, reading, take) {
  const { bars } = reading;
  const marks = take.hits.nominal_s.map((time, k) => ({ time, offset_ms: take.hits.offset_ms[k] }));
  const hatched = planParts(reading)
    .filter((part) => part.kind === "alone")
    .map((part) => ({ from: bars[part.first].start, to: bars[part.last].end }));
  const drawn = ribbon(marks, {
    from: bars[0].start,
    to: reading.end,
    width: Math.max(280, box.clientWidth),
    bandMs: take.noticeable_ms,
    hatched,
    said: courseWords(reading, take),
  });
  box.replaceChildren(drawn, ribbonWords(marks));
}

export function courseWords(reading, take) {
  const told = take.sections.map(
    (section) =>
      `${numbersText(section)}, ${section.name}: ${section.n ? leanText(section.offset_ms, take.offset_known) : "nothing played"}`,
  );
  return `Early and late of the take along the song. ${told.join("; ")}.`;
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
