// The whole song: answers, bars in rows by phrase, tempo, and the plan in words.

import {
  barName,
  barsText,
  el,
  letterOf,
  listed,
  mark,
  markIcon,
  percent,
  placesText,
  shortTime,
  svg,
  timeText,
  colourOf,
} from "./drawing.mjs";
import { guidePlacesIn, meterText, planParts, usualMeter } from "./reading.mjs";

const GROUND_Y = 44;
const MARK_Y = 27;
const BARS_A_TASK = 12;

export function drawAnswers(box, reading, data) {
  box.replaceChildren(
    ...answers(reading, data).map(([name, ...body]) =>
      el("div", { class: "answer" }, el("h2", {}, name), ...body),
    ),
  );
}

function answers(reading, data) {
  if (!reading.bars.length) return [["Beat", el("p", {}, data.warnings[0] ?? "no steady beat found")]];
  return [
    tempoAnswer(reading, data),
    oneAnswer(reading, data),
    followAnswer(reading),
    aloneAnswer(reading),
    ...noteAnswer(data),
  ];
}

function tempoAnswer(reading, data) {
  const meter = meterText(reading, usualMeter(reading));
  const others = [...new Set(reading.bars.map((bar) => meterText(reading, bar.full)))].filter(
    (m) => m !== meter,
  );
  const rest = others.length ? `, with bars of ${listed(others)}` : "";
  return [
    "Tempo",
    el("p", { class: "big" }, reading.bpm.toFixed(1), el("small", {}, " bpm in "), meter),
    el("p", {}, `${data.gridWords}${rest}`),
  ];
}

function oneAnswer(reading, data) {
  const first = reading.bars.find((bar) => bar.number === 1);
  const pickup = reading.bars[0].number === 0 ? reading.count.slice(0, reading.bars[0].n) : [];
  return [
    "The 1",
    el("p", { class: "big" }, first ? timeText(first.start) : "none", el("small", {}, " first full bar")),
    el(
      "p",
      {},
      pickup.length ? `After a pickup: count ${pickup.join(" ")}. ` : "No pickup. ",
      `Sure: ${percent(data.confidence.one)}.`,
    ),
  ];
}

function followAnswer(reading) {
  const guide = reading.guides[0];
  if (!guide)
    return ["Follow", el("p", {}, "Nothing recurs often enough to be followed. You carry the time.")];
  return [
    "Follow",
    el("p", { class: "big places-big" }, markIcon(0), ` ${placesText(guide)}`),
    el("p", {}, `${letterOf(0)}: ${guide.name}; ${inChargeText(reading, 0)}.`),
  ];
}

// Where a guide is the one to follow, or can at least be heard.
function inChargeText(reading, guide) {
  const parts = planParts(reading.plan).filter((part) => part.guide === guide);
  const shown = parts.slice(0, 3).map((part) => barsText(reading, part.first, part.last));
  if (parts.length > 3) shown.push(`${parts.length - 3} more stretches`);
  return parts.length ? `in charge of ${listed(shown)}` : "another guide is steadier over the bars";
}

function aloneAnswer(reading) {
  const alone = planParts(reading.plan).filter((part) => part.guide < 0);
  if (!alone.length)
    return [
      "Alone",
      el("p", { class: "big" }, "never"),
      el("p", {}, "In every bar there is something to follow."),
    ];
  const shown = alone.slice(0, 4).map((part) => barsText(reading, part.first, part.last));
  if (alone.length > 4) shown.push(`${alone.length - 4} more`);
  return [
    "Alone",
    el("p", { class: "big places-big" }, listed(shown)),
    el("p", {}, "Nothing to follow there: you carry the time."),
  ];
}

function noteAnswer(data) {
  return data.warnings.length ? [["Note", el("p", {}, data.warnings.join("; "))]] : [];
}

export function drawLegend(box, reading) {
  const used = [...new Set(reading.plan.filter((guide) => guide >= 0))].sort((a, b) => a - b);
  const items = used.map((guide) =>
    el(
      "span",
      { class: "legend-item" },
      markIcon(guide),
      el("b", {}, letterOf(guide)),
      ` ${reading.guides[guide].name}`,
    ),
  );
  if (reading.plan.includes(-1))
    items.push(
      el("span", { class: "legend-item" }, el("span", { class: "alone-swatch" }), "alone: nothing to follow"),
    );
  box.replaceChildren(...items);
}

// Rows of bars. Drawn a few bars a task, so that a long song never holds the page up. Returns a promise.
export class BarMap {
  constructor(box) {
    this.box = box;
    this.buttons = [];
    this.drawing = 0;
    this.now = null;
  }

  async draw(reading, phrase) {
    this.drawing += 1;
    const drawing = this.drawing;
    this.reading = reading;
    this.buttons = [];
    this.now = null;
    this.box.replaceChildren();
    this.phrase = phrase;
    this.fitColumns();
    let row = null;
    for (let k = 0; k < reading.bars.length; k += 1) {
      if (k && k % BARS_A_TASK === 0)
        await new Promise((resolve) => {
          setTimeout(resolve, 0);
        });
      if (drawing !== this.drawing) return;
      const number = reading.bars[k].number;
      if (row === null || (number > 0 && (number - 1) % phrase === 0)) row = this.#newRow(k);
      this.buttons.push(barButton(reading, k, this.box.clientWidth / this.columns - 24));
      row.append(this.buttons[k]);
    }
  }

  fitColumns() {
    const narrow = this.box.clientWidth < 620;
    const columns =
      narrow && this.phrase > 4 ? Math.ceil(this.phrase / Math.ceil(this.phrase / 4)) : this.phrase;
    this.columns = columns;
    this.box.style.setProperty("--columns", columns);
  }

  #newRow(bar) {
    const bars = el("div", { class: "phrase-bars" });
    const head = el(
      "div",
      { class: "phrase-head" },
      el("b", {}, this.reading.bars[bar].number || "in"),
      el("span", {}, shortTime(this.reading.bars[bar].start)),
    );
    this.box.append(
      el("div", { class: this.reading.bars[bar].number ? "phrase" : "phrase pickup-row" }, head, bars),
    );
    return bars;
  }

  setNow(bar) {
    if (bar === this.now) return;
    this.buttons[this.now]?.classList.remove("now");
    this.buttons[bar]?.classList.add("now");
    this.now = bar;
  }

  setLoop(loop, selected) {
    this.buttons.forEach((button, k) => {
      const inside = loop !== null && k >= loop.first && k <= loop.last;
      button.classList.toggle("in-loop", inside);
      button.classList.toggle("loop-start", inside && k === loop.first);
      button.classList.toggle("loop-end", inside && k === loop.last);
      button.classList.toggle("selected", k === selected);
      if (k === selected) button.setAttribute("aria-current", "true");
      else button.removeAttribute("aria-current");
      button.tabIndex = k === selected ? 0 : -1;
    });
  }
}

function barButton(reading, k, width) {
  const guide = reading.plan[k];
  const starts = k === 0 || reading.plan[k - 1] !== guide;
  const button = el("button", {
    type: "button",
    class: guide < 0 ? "bar alone" : "bar",
    "data-bar": k,
    tabindex: k === 0 ? 0 : -1,
    style: guide < 0 ? {} : { "--mark": colourOf(guide) },
  });
  const bar = reading.bars[k];
  const meterChanges = k > 0 && reading.bars[k - 1].full !== bar.full;
  const head = el("span", { class: "bar-head", "aria-hidden": "true" });
  if (starts && guide >= 0) head.append(el("span", { class: "bar-letter" }, letterOf(guide)));
  head.append(el("span", { class: "bar-number" }, bar.number || "pickup"));
  if (meterChanges) head.append(el("span", { class: "bar-meter" }, meterText(reading, bar.full)));
  button.append(el("span", { class: "unseen" }, barWords(reading, k)), head);
  button.append(barDrawing(reading, k, width));
  return button;
}

export function barWords(reading, k) {
  const guide = reading.plan[k];
  const name = barName(reading, k);
  if (guide < 0) return `${name}: alone`;
  return `${name}: follow ${letterOf(guide)} on ${listed(guidePlacesIn(reading, guide, k).map((place) => place.label)) || "no place, it rests"}`;
}

// Marks as large as their closest neighbours allow.
function markSize(places, full, width) {
  const gaps = places.map(
    (place, k) => (k + 1 < places.length ? places[k + 1].pos : places[0].pos + full) - place.pos,
  );
  return Math.min(1, Math.max(0.4, ((Math.min(full, ...gaps) / full) * width) / 13));
}

function barDrawing(reading, k, width) {
  const bar = reading.bars[k];
  const guide = reading.plan[k];
  const at = (beats) => `${(100 * beats) / bar.full}%`;
  const from = bar.firstCount - 1;
  const parts = [];
  if (guide < 0) {
    parts.push(
      svg("rect", {
        class: "hatch",
        x: `${(100 * from) / bar.full}%`,
        y: 16,
        width: `${(100 * bar.n) / bar.full}%`,
        height: 24,
      }),
    );
  }
  parts.push(
    svg("line", {
      class: "ground",
      x1: `${(100 * from) / bar.full}%`,
      x2: `${(100 * (from + bar.n)) / bar.full}%`,
      y1: GROUND_Y,
      y2: GROUND_Y,
    }),
  );
  for (let beat = from; beat < from + bar.n; beat += 1) {
    parts.push(
      svg("line", {
        class: beat === 0 ? "notch first" : "notch",
        x1: at(beat),
        x2: at(beat),
        y1: GROUND_Y - (beat ? 0 : 5),
        y2: GROUND_Y + (beat ? 5 : 8),
      }),
    );
  }
  if (guide >= 0) {
    const places = guidePlacesIn(reading, guide, k).filter(
      (place) => place.pos >= from && place.pos < from + bar.n,
    );
    const size = markSize(places, bar.full, width);
    for (const place of places)
      parts.push(svg("svg", { x: at(place.pos), y: MARK_Y, overflow: "visible" }, mark(guide, size)));
  } else {
    parts.push(
      svg(
        "text",
        {
          class: "alone-word",
          x: `${(100 * (from + bar.n / 2)) / bar.full}%`,
          y: 32,
          "text-anchor": "middle",
        },
        bar.n === bar.full ? "alone" : "",
      ),
    );
  }
  return svg("svg", { class: "bar-svg", height: 56, "aria-hidden": "true" }, ...parts);
}

// Tempo of each bar over time, with the bars and their guides under it.
export function drawTempo(box, reading) {
  if (!reading.bars.length) return;
  const width = Math.max(280, box.clientWidth);
  const height = 150;
  const left = 44;
  const bars = reading.bars.filter((bar) => bar.n > 1 || reading.bars.length < 3);
  const low = Math.min(...bars.map((bar) => bar.bpm));
  const high = Math.max(...bars.map((bar) => bar.bpm));
  const reach = Math.max(2, (high - low) / 2 + 1);
  const middle = (low + high) / 2;
  const span = reading.end - reading.bars[0].start;
  const x = (t) => left + ((t - reading.bars[0].start) / span) * (width - left - 8);
  const y = (bpm) => 58 - ((bpm - middle) / reach) * 42;
  const lines = [middle - reach, middle, middle + reach].map((bpm) => [
    svg("line", { class: "grid-line", x1: left, x2: width - 8, y1: y(bpm), y2: y(bpm) }),
    svg("text", { class: "axis", x: left - 6, y: y(bpm) + 4, "text-anchor": "end" }, bpm.toFixed(0)),
  ]);
  const path = bars
    .map((bar, k) => `${k ? "L" : "M"}${x((bar.start + bar.end) / 2).toFixed(1)} ${y(bar.bpm).toFixed(1)}`)
    .join("");
  const parts = planParts(reading.plan).map((part) => partDrawing(reading, part, x, 112));
  const times = timeMarks(reading, width).map((t) =>
    svg("text", { class: "axis", x: x(t), y: 147, "text-anchor": "middle" }, shortTime(t)),
  );
  const said =
    high - low < 0.1
      ? `Steady at ${low.toFixed(1)} bpm.`
      : `Tempo runs from ${low.toFixed(1)} to ${high.toFixed(1)} bpm.`;
  const now = svg("line", { class: "tempo-now", x1: -9, x2: -9, y1: 8, y2: 132 });
  box.replaceChildren(
    svg(
      "svg",
      { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": said },
      ...lines.flat(),
      svg("path", { class: "curve", d: path }),
      ...parts,
      ...times,
      now,
    ),
    el("p", { class: "hint" }, said),
  );
  return { move: (t) => now.setAttribute("transform", `translate(${(x(t) + 9).toFixed(1)} 0)`) };
}

function partDrawing(reading, part, x, y) {
  const x0 = x(reading.bars[part.first].start);
  const x1 = x(reading.bars[part.last].end);
  const style = part.guide < 0 ? {} : { "--mark": colourOf(part.guide) };
  const name = part.guide < 0 ? "alone" : letterOf(part.guide);
  return svg(
    "g",
    { style },
    svg("rect", {
      class: part.guide < 0 ? "part hatch" : "part",
      x: x0 + 1,
      y,
      width: Math.max(1, x1 - x0 - 2),
      height: 20,
    }),
    x1 - x0 > (part.guide < 0 ? 46 : 16)
      ? svg(
          "text",
          {
            class: part.guide < 0 ? "part-word alone-word" : "part-word",
            x: (x0 + x1) / 2,
            y: y + 15,
            "text-anchor": "middle",
          },
          name,
        )
      : null,
  );
}

function timeMarks(reading, width) {
  const start = reading.bars[0].start;
  const steps = [5, 10, 15, 30, 60, 120, 300, 600];
  const step = steps.find((s) => ((reading.end - start) / s) * 60 < width) ?? 1200;
  const marks = [];
  for (let t = Math.ceil(start / step) * step; t < reading.end; t += step) marks.push(t);
  return marks;
}

export function drawPlanWords(list, reading) {
  list.replaceChildren(
    ...planParts(reading.plan).map((part) => {
      const when = `${barsText(reading, part.first, part.last)} (${shortTime(reading.bars[part.first].start)} to ${shortTime(reading.bars[part.last].end)})`;
      if (part.guide < 0)
        return el("li", { class: "alone-words" }, el("b", {}, when), ": alone, you carry the time.");
      const guide = reading.guides[part.guide];
      return el(
        "li",
        {},
        markIcon(part.guide),
        " ",
        el("b", {}, when),
        `: follow ${letterOf(part.guide)}, ${guide.name}, on ${placesText(guide)}.`,
      );
    }),
  );
}
