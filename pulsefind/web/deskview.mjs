// At the desk: what the song is in a few facts, and the plan, stretch by stretch, with equal bars drawn once.

import { countLine } from "./countline.mjs";
import {
  $,
  barName,
  barsText,
  called,
  leading,
  el,
  listed,
  markIcon,
  shortTime,
  timeText,
} from "./drawing.mjs";
import { alikeRuns, guidePlacesIn, inDoubt, planParts, usualMeter, writtenMeter } from "./reading.mjs";
import { barWords, drawKey, followWords } from "./roadwords.mjs";

const MOST_LINE_PX = 520;

export class DeskView {
  constructor(app) {
    this.app = app;
    app.on("reading", () => this.draw());
    app.on("moved", ({ at }) => this.#showNow(at.bar));
    app.on("stopped", () => this.#showNow(null));
  }

  draw() {
    const { reading, data } = this.app;
    $("facts").replaceChildren(...facts(reading, data));
    if (!reading.bars.length) return;
    drawKey($("road-key"), reading, data);
    this.#drawStretches();
  }

  fit() {
    if (!$("view-desk").hidden && this.room !== $("stretches").clientWidth) this.#drawStretches();
  }

  #drawStretches() {
    const { reading } = this.app;
    this.room = $("stretches").clientWidth;
    this.width = Math.max(250, Math.min(MOST_LINE_PX, this.room - 24));
    this.items = planParts(reading).map((part) => ({ part, item: this.#stretch(part) }));
    $("stretches").replaceChildren(...this.items.map(({ item }) => item));
    this.now = null;
  }

  #showNow(bar) {
    const found = bar === null ? null : this.items?.find(({ part }) => part.first <= bar && bar <= part.last);
    if (found?.item === this.now) return;
    this.now?.classList.remove("now");
    found?.item.classList.add("now");
    this.now = found?.item ?? null;
  }

  #stretch(part) {
    const { reading } = this.app;
    const alone = part.kind === "alone";
    const guide = reading.guides[part.guide];
    const name = el("span", { class: "stretch-what" }, leading(reading, part.first));
    const head = guide ? [markIcon(guide, part.guide), name] : [name];
    return el(
      "li",
      { class: alone ? "stretch alone" : "stretch" },
      el(
        "div",
        { class: "stretch-head" },
        el(
          "h3",
          {},
          el("span", { class: "stretch-bars" }, barsText(reading, part.first, part.last)),
          " ",
          ...head,
        ),
        el("span", { class: "stretch-time" }, stretchTime(reading, part)),
        ...this.#stretchButtons(part),
      ),
      guide ? this.#firstWords(part) : null,
      alone ? el("p", {}, "Nothing pulses: you carry the time.") : null,
      part.kind === "band" ? el("p", {}, "No one sound repeats; follow the band's pulse.") : null,
      doubtWords(reading, part),
      ...(!guide ? [] : alikeRuns(reading, part.first, part.last).map((run) => this.#run(run))),
    );
  }

  // How a sound behaves, told where it leads for the first time.
  #firstWords(part) {
    const { plan, guides } = this.app.reading;
    if (plan.indexOf(part.guide) !== part.first) return null;
    const { like, reliable, mishear } = guides[part.guide];
    const warned = mishear.length ? el("p", { class: "doubt-words" }, `Easy to mishear ${mishear[0]}`) : null;
    return el("div", { class: "first-words" }, el("p", {}, `${like}; ${reliable}.`), warned);
  }

  #stretchButtons(part) {
    const { app } = this;
    const bars = barsText(app.reading, part.first, part.last);
    const start = { click: () => app.playFrom(part.first) };
    const round = { click: () => app.setLoop({ first: part.first, last: part.last }) };
    return [
      el("button", { type: "button", class: "quiet", on: start }, "Hear it", unseen(`: ${bars}`)),
      el("button", { type: "button", class: "quiet", on: round }, "Loop it", unseen(`: ${bars}`)),
    ];
  }

  // Bars that are alike, drawn once; the single bars open on tap.
  #run(run) {
    const { reading } = this.app;
    const guide = reading.guides[run.guide];
    const first = firstWhole(reading, run);
    const pattern = Math.min(guide.patternBars, run.last - first + 1);
    const lines = Array.from({ length: pattern }, (_, k) => {
      const bar = first + k;
      const title = pattern > 1 ? `${barName(reading, bar)} and so on` : "";
      return countLine(reading.bars[bar], guidePlacesIn(reading, run.guide, bar), guide, run.guide, {
        width: this.width,
        title,
      });
    });
    const said = followWords(reading, first);
    return el(
      "div",
      { class: "run" },
      el("div", { role: "img", "aria-label": said }, ...lines),
      this.#singleBars(run, pattern),
    );
  }

  #singleBars(run, pattern) {
    const { app } = this;
    const n = run.last - firstWhole(app.reading, run) + 1;
    const same = pattern > 1 ? `the same ${pattern} bars` : "the same bar";
    const times = Math.round(n / pattern);
    const words = `${barsText(app.reading, run.first, run.last)}: ${n > pattern ? `${same}, ${times} times` : "once"}`;
    const box = el("details", { class: "singles" }, el("summary", {}, words));
    // Buttons for every bar are made when they are asked for.
    box.addEventListener("toggle", () => {
      if (box.open && box.children.length === 1) box.append(this.#barButtons(run));
    });
    return box;
  }

  #barButtons({ first, last }) {
    const { app } = this;
    const button = (bar) =>
      el(
        "button",
        {
          type: "button",
          class: inDoubt(app.reading, bar) ? "single doubtful" : "single",
          on: { click: () => app.goTo(bar) },
        },
        app.reading.bars[bar].number || "in",
        unseen(` ${barWords(app.reading, bar)}`),
      );
    return el(
      "div",
      { class: "single-bars" },
      ...Array.from({ length: last - first + 1 }, (_, k) => button(first + k)),
    );
  }
}

// The first bar of a run that is not cut short by being the pickup.
function firstWhole(reading, { first, last }) {
  return first < last && reading.bars[first].n < reading.bars[first].full ? first + 1 : first;
}

function unseen(words) {
  return el("span", { class: "unseen" }, words);
}

function stretchTime(reading, { first, last }) {
  return `${shortTime(reading.bars[first].start)}-${shortTime(reading.bars[last].end)}`;
}

function doubtWords(reading, part) {
  const inPart = ({ whole, first, last }) => !whole && first <= part.last && last >= part.first;
  const here = reading.doubts.filter(inPart);
  return here.length
    ? el("p", { class: "doubt-words" }, here.map(({ bars, text }) => `${bars}: ${text}.`).join(" "))
    : null;
}

// ---- the facts

function facts(reading, data) {
  if (!reading.bars.length) return [fact("Beat", data.warnings[0] ?? "no steady beat found")];
  const told = [tempoFact(reading, data), countFact(reading, data), followFact(reading)];
  return [...told, ...doubtFacts(reading), ...data.warnings.map((warning) => fact("Note", "", warning))];
}

function fact(name, big, ...more) {
  return el("div", { class: "fact" }, el("dt", {}, name), el("dd", {}, el("b", {}, big), ...more));
}

function tempoFact(reading, data) {
  const { feel } = data.words;
  const full = usualMeter(reading);
  const meter = writtenMeter(
    reading,
    reading.bars.find((bar) => bar.full === full),
  );
  const all = new Set(reading.bars.map((bar) => writtenMeter(reading, bar)));
  const others = [...all].filter((other) => other !== meter);
  const rest = others.length ? `, with bars of ${listed(others)}` : "";
  const moved = reading.bpm !== data.tempo.bpm;
  const bpm = moved ? reading.bpm : feel.bpm;
  const styles = feel.styles.length && !moved ? `, ${feel.styles.join(", ")}` : "";
  return fact("Tempo", `${bpm.toFixed(0)} in ${meter}`, `; ${feel.notes}${styles}${rest}`);
}

function countFact(reading, data) {
  const first = reading.bars.find((bar) => bar.number === 1);
  return fact("Count in", data.words.countIn.words, first ? `; bar 1 at ${timeText(first.start)}` : "");
}

function followFact(reading) {
  const bars = new Map();
  for (const guide of reading.plan) bars.set(guide, (bars.get(guide) ?? 0) + 1);
  const guides = [...bars].filter(([guide]) => guide >= 0).sort((a, b) => b[1] - a[1]);
  const alone = reading.kinds.filter((kind) => kind === "alone").length;
  const rest = alone ? `; you are alone in ${alone} of ${reading.plan.length} bars` : "; never alone";
  if (!guides.length)
    return fact("Follow", reading.kinds.includes("band") ? "the band's pulse" : "nothing", rest);
  return fact("Follow", listed(guides.slice(0, 3).map(([guide]) => called(reading, guide))), rest);
}

function doubtFacts(reading) {
  return reading.doubts
    .filter((doubt) => doubt.whole)
    .map((doubt) => fact("Not sure", doubt.about, ` ${settledHere(doubt)}`));
}

// What the command line has an option for is put right in the page itself.
function settledHere({ sentence, settle }) {
  return sentence.replace(`add ${settle}`, "put it right under Ear.");
}
