// The trainers: the delay of the device, find the 1, hold it. Each is one object with start() and tap(contextTime).

import { clickSet, thinning } from "./clickset.mjs";
import { barName, el, offsetText, svg } from "./drawing.mjs";
import { keep, kept } from "./keeping.mjs";
import {
  firstHit,
  judgeHold,
  judgeOne,
  judgeStages,
  nameChoices,
  randomStart,
  tapDelay,
} from "./training.mjs";

const DELAY_CLICKS = 24;
const DELAY_STEP_S = 0.6;
const RIDDLE_BARS = 12;
const BASS_AFTER_BARS = 4;
const BAND_AFTER_BARS = 8;

export class Delay {
  constructor(app, note) {
    this.app = app;
    this.note = note;
    this.app.tapDelay = kept("delay", 0);
    this.show();
  }

  show() {
    this.note.textContent = this.app.tapDelay
      ? `Kept: ${(1000 * this.app.tapDelay).toFixed(0)} ms are taken off each tap.`
      : "Not measured yet: taps are taken as they come.";
  }

  async start() {
    this.taps = [];
    const mixer = await this.app.readyMixer();
    // Stopped while the device was still being made.
    if (this.app.training !== this) return;
    const first = mixer.context.currentTime + 0.3;
    mixer.fadeIn(first);
    this.clicks = Array.from({ length: DELAY_CLICKS }, (_, k) => first + k * DELAY_STEP_S);
    this.sources = this.clicks.map((at) => mixer.playClick("beat", at));
    this.note.textContent = "Tap along.";
    this.over = setTimeout(() => this.app.endTraining(this), 1000 * (DELAY_CLICKS * DELAY_STEP_S + 0.6));
  }

  tap(contextTime) {
    this.taps.push(contextTime);
    const found = tapDelay(this.taps, this.clicks);
    if (found)
      this.note.textContent = `${this.taps.length} taps: ${(1000 * found.delay).toFixed(0)} ms, give or take ${(1000 * found.spread).toFixed(0)} ms.`;
  }

  end() {
    clearTimeout(this.over);
    for (const source of this.sources ?? []) source.stop();
    this.sources = [];
    const found = this.taps && tapDelay(this.taps, this.clicks);
    if (found) {
      this.app.tapDelay = found.delay;
      keep("delay", found.delay);
      this.note.textContent = `Kept: ${(1000 * found.delay).toFixed(0)} ms are taken off each tap (spread ${(1000 * found.spread).toFixed(0)} ms).`;
    } else {
      this.note.textContent = "Too few taps to tell. Tap ten times or more.";
    }
  }
}

export class FindOne {
  constructor(app, elements) {
    this.takesDelay = true;
    this.app = app;
    this.elements = elements;
    this.key = `score.${app.data.track.sha256.slice(0, 16)}`;
    this.score = kept(this.key, { right: 0, tries: 0 });
    this.riddle = null;
    this.show();
  }

  show() {
    const { right, tries } = this.score;
    this.elements.score.textContent = tries ? `${right} of ${tries} right` : "No riddle yet";
  }

  reset() {
    this.score = { right: 0, tries: 0 };
    keep(this.key, this.score);
    this.show();
  }

  async start() {
    const { reading } = this.app;
    this.riddle = randomStart(reading);
    if (!this.riddle) {
      this.elements.note.textContent =
        "No sound of this song tells the 1 by itself for long enough: a riddle would only be a guess.";
      this.app.endTraining(this);
      return;
    }
    this.hit = firstHit(reading, this.riddle.guide, this.riddle.time);
    this.elements.note.textContent =
      "Listen. Where is the 1? First the sound alone; after 4 bars the bass comes in, after 8 the band.";
    this.#drawNames();
    await this.app.playRiddle({
      startTime: this.riddle.time,
      startBar: this.riddle.bar,
      endBar: Math.min(reading.bars.length - 1, this.riddle.bar + RIDDLE_BARS),
      guide: this.riddle.guide,
      guideMarks: true,
      blend: {
        bass: barsLater(reading, this.riddle, BASS_AFTER_BARS),
        band: barsLater(reading, this.riddle, BAND_AFTER_BARS),
      },
    });
  }

  #drawNames() {
    const choices = nameChoices(this.app.reading, this.riddle.bar);
    const button = (place) =>
      el(
        "button",
        { type: "button", class: "place", "data-name": place, on: { click: () => this.name(place) } },
        place,
      );
    this.elements.names.replaceChildren(...choices.map(button));
  }

  tap(contextTime) {
    if (!this.riddle) return;
    const song = this.app.songAtTap(contextTime);
    const verdict = song === null ? null : judgeOne(this.app.reading, song);
    if (verdict)
      this.#answer(
        verdict.right,
        verdict.right
          ? `Right: that was the 1, ${offsetText(1000 * verdict.offset)}.`
          : `You tapped ${verdict.place}.`,
      );
  }

  name(place) {
    if (!this.riddle || !this.hit) return;
    const right = place === this.hit.place;
    this.#answer(
      right,
      right
        ? `Right: the first hit fell on ${place}.`
        : `You said ${place}; the first hit fell on ${this.hit.place}.`,
    );
  }

  #answer(right, words) {
    this.score = { right: this.score.right + (right ? 1 : 0), tries: this.score.tries + 1 };
    keep(this.key, this.score);
    this.show();
    noteProgress(this.app, "find the 1", { right });
    const { reading } = this.app;
    const at = this.app.barNow() ?? this.riddle.bar;
    this.riddle = null;
    const { names } = this.elements;
    // The next riddle is one key away from where this one was named.
    if (names.contains(document.activeElement))
      names.closest(".trainer").querySelector("button").focus({ preventScroll: true });
    names.replaceChildren();
    this.elements.note.textContent = `${right ? "✓" : "✗"} ${words} Now with every beat clicked and the track, from ${barName(reading, at)}.`;
    this.app.reveal(at, Math.min(reading.bars.length - 1, at + 3));
  }

  end() {
    if (this.riddle) this.elements.note.textContent = "Stopped. The riddle doesn't count.";
    this.riddle = null;
    this.elements.names.replaceChildren();
  }
}

export class HoldIt {
  constructor(app, elements) {
    this.takesDelay = true;
    this.app = app;
    this.elements = elements;
  }

  async start(barsAStep) {
    this.taps = [];
    this.elements.note.textContent = "Tap every beat.";
    this.elements.chart.replaceChildren();
    this.elements.stages.replaceChildren();
    this.stages = thinning(this.app.reading, barsAStep);
    await this.app.playExercise({ clicks: clickSet("beats", { stages: this.stages }), countInBars: 1 });
    // Without a run where it was stopped before it began.
    this.startBar = this.app.player.scheduler?.run.startBar ?? null;
  }

  tap(contextTime) {
    const song = this.app.songAtTap(contextTime);
    if (song !== null) this.taps.push(song);
    const verdict = judgeHold(this.app.reading, this.taps);
    if (verdict)
      this.elements.note.textContent = `${verdict.n} taps; the last ${offsetText(verdict.offsets.at(-1))}.`;
  }

  end() {
    const verdict = judgeHold(this.app.reading, this.taps ?? []);
    if (!verdict) {
      this.elements.note.textContent = "Too few taps to tell anything.";
      return;
    }
    const { reading } = this.app;
    this.elements.note.textContent = holdWords(verdict);
    const stages = judgeStages(reading, this.taps, this.stages, this.startBar);
    this.elements.stages.replaceChildren(...stages.map((stage) => el("li", {}, stageWords(reading, stage))));
    noteProgress(this.app, "hold it", {
      taps: verdict.n,
      spread_ms: Math.round(verdict.spread),
      mean_ms: Math.round(verdict.mean),
    });
    this.elements.chart.replaceChildren(holdChart(verdict));
  }
}

// "only the 1 clicked: 12 ms late, give or take 9 ms".
export function stageWords(reading, { on, verdict }) {
  const { words } = reading.presets.find((preset) => preset.on === on);
  return `${on === "none" ? "nothing clicked" : `${words} clicked`}: ${offsetText(verdict.mean)}, give or take ${verdict.spread.toFixed(0)} ms`;
}

function barsLater(reading, { bar }, bars) {
  return reading.bars[Math.min(reading.bars.length - 1, bar + bars)].start;
}

// ---- what was reached, kept in this browser

const MOST_KEPT = 500;

function noteProgress(app, drill, result) {
  const entry = { when: new Date().toISOString(), song: app.data.track.name, drill, ...result };
  keep("progress", [...kept("progress", []), entry].slice(-MOST_KEPT));
}

export function holdWords(verdict) {
  const drift =
    Math.abs(verdict.drift) < 3
      ? "no drift"
      : `drifting ${Math.abs(verdict.drift).toFixed(0)} ms a minute ${verdict.drift < 0 ? "ahead" : "behind"}`;
  const share = verdict.evenness > 0.5 ? "corrections are shared evenly" : "corrections come in jumps";
  return `${verdict.n} taps: ${offsetText(verdict.mean)} on average, give or take ${verdict.spread.toFixed(0)} ms; ${drift}; ${share} (${verdict.evenness.toFixed(2)} of 1).`;
}

function holdChart(verdict) {
  const width = 600;
  const height = 120;
  const reach = Math.max(40, ...verdict.offsets.map(Math.abs));
  const t0 = verdict.times[0];
  const span = Math.max(1e-6, verdict.times.at(-1) - t0);
  const x = (t) => 50 + ((t - t0) / span) * (width - 60);
  const y = (ms) => height / 2 + (ms / reach) * (height / 2 - 12);
  const dots = verdict.offsets
    .map((offset, k) => `M${x(verdict.times[k]).toFixed(1)} ${y(offset).toFixed(1)}h0`)
    .join("");
  return svg(
    "svg",
    { viewBox: `0 0 ${width} ${height}`, class: "hold-chart", role: "img", "aria-label": holdWords(verdict) },
    svg("line", { class: "zero", x1: 50, x2: width - 6, y1: y(0), y2: y(0) }),
    svg("text", { class: "axis", x: 44, y: 18, "text-anchor": "end" }, "early"),
    svg("text", { class: "axis", x: 44, y: height - 8, "text-anchor": "end" }, "late"),
    svg("path", { class: "dots", d: dots }),
  );
}
