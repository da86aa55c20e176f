// The road: the whole song at a glance. Above, how loud it is and its tempo; below, the bars as one road whose surface
// says what to follow. Where the player is alone the surface ends; where the 1 is in doubt it is hatched.

import { $, barsText, leading, colourOf, littleMotion, mark, svg } from "./drawing.mjs";
import { numberStep, roadLayout, rowOf, xOf } from "./layout.mjs";
import { planParts } from "./reading.mjs";
import { RoadHands } from "./roadhands.mjs";
import { barWords } from "./roadwords.mjs";

// Heights of a row, from the top down, in px: large where there is room, small on phones.
const LARGE = { names: 18, tempo: 20, hills: 46, road: 32, numbers: 18, gap: 8 };
const SMALL = { names: 15, tempo: 10, hills: 24, road: 26, numbers: 15, gap: 4 };
const SMALL_BELOW_PX = { width: 620, height: 560 };
const EDGE_PX = 6;
const LETTER_PX = 7.6;
const NUMBER_PX = 30;
const SECTION_LETTER_PX = 7.8;
const FEWEST_LETTERS = 3;

export class RoadView {
  constructor(app) {
    this.app = app;
    this.box = $("road");
    this.hands = new RoadHands(app, this);
    app.on("reading", () => this.draw());
    // A tap is answered at once, also where the sound takes a moment to follow.
    app.on("place", (bar) => {
      this.showChosen();
      if (this.layout) this.#pointer(app.reading.bars[bar].start, bar);
    });
    app.on("loop", () => this.showChosen());
    app.on("moved", ({ song, at }) => this.#move(song, at));
    app.on("stopped", () => this.showChosen());
    new ResizeObserver(() => this.#measureHeight()).observe($("road-bar"));
  }

  draw() {
    const { reading } = this.app;
    this.box.hidden = !reading.bars.length;
    if (!reading.bars.length) return;
    this.drawnFor = this.#room();
    const width = Math.max(260, this.box.clientWidth);
    const small = window.innerWidth < SMALL_BELOW_PX.width || window.innerHeight < SMALL_BELOW_PX.height;
    this.size = small ? SMALL : LARGE;
    this.layout = roadLayout(reading, width, window.innerHeight);
    const parts = planParts(reading);
    const rows = this.layout.rows.map((row) => this.#drawRow(row, parts));
    this.now = svg("path", { class: "road-now" });
    this.chosen = svg("g", { class: "road-chosen" });
    const height = this.layout.rows.length * this.rowHeight() - this.size.gap;
    this.box.replaceChildren(
      svg(
        "svg",
        { class: "road-drawing", width, height, viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" },
        ...rows,
        this.chosen,
        this.now,
      ),
    );
    this.showChosen();
    performance.mark("road drawn");
  }

  fit() {
    if (this.drawnFor !== this.#room()) this.draw();
  }

  #room() {
    return `${this.box.clientWidth} in ${window.innerWidth} x ${window.innerHeight}`;
  }

  // What sticks below the road has to know how high it is.
  #measureHeight() {
    const height = Math.ceil($("road-bar").getBoundingClientRect().height);
    document.documentElement.style.setProperty("--road", `${height}px`);
  }

  rowHeight() {
    const { names, tempo, hills, road, numbers, gap } = this.size;
    return names + tempo + hills + road + numbers + gap;
  }

  #roadTop() {
    return this.size.names + this.size.tempo + this.size.hills;
  }

  // ---- drawing

  #drawRow(row, parts) {
    const index = this.layout.rows.indexOf(row);
    const inRow = parts
      .filter((part) => part.first <= row.last && part.last >= row.first)
      .map((part) => ({
        ...part,
        first: Math.max(part.first, row.first),
        last: Math.min(part.last, row.last),
      }));
    return svg(
      "g",
      { transform: `translate(0 ${index * this.rowHeight()})` },
      this.#hills(row),
      ...this.#tempo(row),
      ...inRow.flatMap((part) => this.#stretch(row, part)),
      ...this.#doubts(row),
      ...this.#lines(row),
      ...this.#numbers(row),
      ...this.#sections(row),
    );
  }

  #x(row, t) {
    return Number(xOf(this.layout, row, t).toFixed(1));
  }

  #hills(row) {
    const { outline, track } = this.app.data;
    const { names, tempo, hills } = this.size;
    const bottom = names + tempo + hills;
    const step = track.duration / outline.length;
    const first = Math.max(0, Math.floor(row.from / step));
    const last = Math.min(outline.length - 1, Math.ceil(row.to / step));
    if (last <= first) return null;
    let d = `M${this.#x(row, Math.max(row.from, first * step))} ${bottom}`;
    for (let k = first; k <= last; k += 1) {
      const t = Math.min(row.to, Math.max(row.from, (k + 0.5) * step));
      d += `L${this.#x(row, t)} ${(bottom - 1 - (outline[k] / 99) * (hills - 3)).toFixed(1)}`;
    }
    return svg("path", {
      class: "hills",
      d: `${d}L${this.#x(row, Math.min(row.to, (last + 1) * step))} ${bottom}Z`,
    });
  }

  // The tempo bar by bar, 2 % up or down at least over the height.
  #tempo(row) {
    const { reading } = this.app;
    const { names, tempo } = this.size;
    const whole = (bar) => bar.n > 1 || reading.bars.length < 3;
    const all = reading.bars.filter(whole).map((bar) => bar.bpm);
    const middle = (Math.min(...all) + Math.max(...all)) / 2;
    const reach = Math.max(0.02 * middle, (Math.max(...all) - Math.min(...all)) / 2);
    const y = (bpm) => names + tempo / 2 - ((bpm - middle) / reach) * (tempo / 2 - 1.5);
    const bars = reading.bars.slice(row.first, row.last + 1).filter(whole);
    const points = bars.map((bar) => `${this.#x(row, (bar.start + bar.end) / 2)} ${y(bar.bpm).toFixed(1)}`);
    return points.length > 1 ? [svg("path", { class: "road-tempo", d: `M${points.join("L")}` })] : [];
  }

  #stretch(row, part) {
    const { reading } = this.app;
    const x0 = this.#x(row, reading.bars[part.first].start);
    const x1 = this.#x(row, reading.bars[part.last].end);
    const y = this.#roadTop();
    const { road } = this.size;
    if (part.kind === "alone") return this.#aloneStretch(x0, x1, y);
    const guide = reading.guides[part.guide];
    const name = leading(reading, part.first);
    const room = x1 - x0;
    const middle = (road - EDGE_PX) / 2;
    const written = room > 26 + name.length * LETTER_PX;
    return [
      svg("rect", { class: "surface", x: x0, y, width: Math.max(1, room), height: road }),
      svg("rect", {
        class: "surface-edge",
        x: x0,
        y: y + road - EDGE_PX,
        width: Math.max(1, room),
        height: EDGE_PX,
        style: { "--mark": guide ? colourOf(part.guide) : "var(--dim)" },
      }),
      guide && room > 18
        ? svg(
            "g",
            { class: "on-surface", transform: `translate(${x0 + 12} ${y + middle})` },
            mark(guide, part.guide, 1.1),
          )
        : null,
      written
        ? svg("text", { class: "surface-name", x: x0 + (guide ? 23 : 6), y: y + middle + 5 }, name)
        : null,
    ];
  }

  // The surface ends: only its edges go on, broken.
  #aloneStretch(x0, x1, y) {
    const { road } = this.size;
    const edges = `M${x0} ${y + 1}H${x1}M${x0} ${y + road - 1}H${x1}`;
    return [
      svg("path", { class: "no-surface", d: edges }),
      x1 - x0 > 5 * LETTER_PX + 6
        ? svg(
            "text",
            { class: "alone-name", x: (x0 + x1) / 2, y: y + road / 2 + 5, "text-anchor": "middle" },
            "alone",
          )
        : null,
    ];
  }

  #doubts(row) {
    const { reading } = this.app;
    const y = this.#roadTop();
    return reading.doubts
      .filter((doubt) => !doubt.whole && doubt.first <= row.last && doubt.last >= row.first)
      .flatMap((doubt) => {
        const x0 = this.#x(row, reading.bars[Math.max(row.first, doubt.first)].start);
        const x1 = this.#x(row, reading.bars[Math.min(row.last, doubt.last)].end);
        return [
          svg("rect", { class: "doubt", x: x0, y: y - 4, width: x1 - x0, height: this.size.road + 4 }),
          svg("text", { class: "doubt-mark", x: (x0 + x1) / 2, y: y - 5, "text-anchor": "middle" }, "?"),
        ];
      });
  }

  // A line at every bar, where they don't crowd; a longer one where a phrase begins.
  #lines(row) {
    const { reading, data } = this.app;
    const y = this.#roadTop();
    const { road } = this.size;
    const crowded = (this.layout.pace * (row.to - row.from)) / (row.last - row.first + 1) < 4;
    const at = { bar: "", phrase: "" };
    for (let k = row.first; k <= row.last; k += 1) {
      const { number, start } = reading.bars[k];
      const opens = number > 0 && (number - 1) % data.phrase === 0;
      if (opens) at.phrase += `M${this.#x(row, start)} ${y + road - EDGE_PX}v${EDGE_PX + 5}`;
      else if (!crowded) at.bar += `M${this.#x(row, start)} ${y + road - EDGE_PX}v${EDGE_PX}`;
    }
    return [
      svg("path", { class: "bar-lines", d: at.bar }),
      svg("path", { class: "phrase-lines", d: at.phrase }),
    ];
  }

  #numbers(row) {
    const { reading } = this.app;
    const step = numberStep(this.layout, reading);
    const y = this.#roadTop() + this.size.road + this.size.numbers - 2;
    const found = [];
    // Where the song runs faster than on average, numbers that would touch are left out.
    let free = 0;
    for (let k = row.first; k <= row.last; k += 1) {
      const { number, start } = reading.bars[k];
      const x = this.#x(row, start);
      if (number < 1 || (number - 1) % step || x < free || x > this.layout.width - 26) continue;
      found.push(svg("text", { class: "road-number", x: x + 2, y }, String(number)));
      free = x + NUMBER_PX;
    }
    return found;
  }

  // Sections that the player has named stand above the hills, cut short where the next one begins.
  #sections(row) {
    const from = row.first ? row.from : -Infinity;
    const inRow = this.app.reading.named.filter(({ start }) => start >= from && start < row.to);
    const xs = inRow.map(({ start }) => this.#x(row, Math.max(row.from, start)));
    return inRow.flatMap((section, k) => {
      const room = (xs[k + 1] ?? this.layout.width) - xs[k] - 6;
      const name = cutTo(section.name, Math.floor(room / SECTION_LETTER_PX));
      return [
        svg("path", { class: "section-line", d: `M${xs[k]} 2V${this.#roadTop()}` }),
        svg("text", { class: "section-name", x: xs[k] + 4, y: this.size.names - 4 }, name),
      ];
    });
  }

  // ---- where one is

  showChosen(loop = this.app.loop) {
    const { reading, selected } = this.app;
    if (!this.layout) return;
    this.chosen.replaceChildren(...(loop ? this.#loopParts(loop) : []));
    if (!this.app.player.playing) this.#pointer(reading.bars[selected].start, selected);
    this.box.setAttribute("aria-valuemax", String(reading.bars.length - 1));
    this.box.setAttribute("aria-valuenow", String(selected));
    const looped = loop ? `; loop ${barsText(reading, loop.first, loop.last)}` : "";
    this.box.setAttribute("aria-valuetext", `${barWords(reading, selected)}${looped}`);
  }

  #loopParts(loop) {
    const { reading } = this.app;
    return this.layout.rows.flatMap((row, index) => {
      if (loop.first > row.last || loop.last < row.first) return [];
      const x0 = this.#x(row, reading.bars[Math.max(row.first, loop.first)].start);
      const x1 = this.#x(row, reading.bars[Math.min(row.last, loop.last)].end);
      const y = index * this.rowHeight() + this.size.names;
      const height = this.#roadTop() - this.size.names + this.size.road + 5;
      return [
        svg("rect", { class: "loop-ground", x: x0, y, width: x1 - x0, height }),
        svg("path", { class: "loop-line", d: `M${x0} ${y + height}H${x1}` }),
        loop.first >= row.first
          ? svg("path", { class: "loop-end", d: `M${x0 + 6} ${y}H${x0}v${height}h6` })
          : null,
        loop.last <= row.last
          ? svg("path", { class: "loop-end", d: `M${x1 - 6} ${y}H${x1}v${height}h-6` })
          : null,
      ].filter(Boolean);
    });
  }

  #pointer(t, bar) {
    const row = rowOf(this.layout, bar);
    const x = this.#x(this.layout.rows[row], t);
    const y = row * this.rowHeight() + this.size.names;
    const bottom = this.#roadTop() - this.size.names + this.size.road + 5;
    this.now.setAttribute("d", `M${x} ${y + 6}v${bottom - 6}M${x - 5} ${y - 2}h10l-5 8Z`);
  }

  #move(song, at) {
    if (this.app.secret) return;
    // With little motion wanted, the pointer steps from beat to beat.
    const t = littleMotion() ? this.app.reading.time[at.beat] : song;
    this.#pointer(t, at.bar);
  }
}

// A name in no more letters than there is room for.
function cutTo(name, most) {
  const letters = [...name];
  if (letters.length <= most) return name;
  return most < FEWEST_LETTERS ? "" : `${letters.slice(0, most - 1).join("")}\u2026`;
}
