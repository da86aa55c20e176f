// The view of the whole song: answers, the map of bars with its gestures, tempo, the plan in words.

import { $, barUnder, el, littleMotion, rangeOf } from "./drawing.mjs";
import { BarMap, barWords, drawAnswers, drawLegend, drawPlanWords, drawTempo } from "./songview.mjs";

const PHRASES = [2, 3, 4, 5, 6, 8, 12, 16];

export class DeskView {
  constructor(app) {
    this.app = app;
    this.phrase = app.data.phrase;
    this.map = new BarMap($("map"));
    this.#wirePhrase();
    this.#wireMap();
    app.on("reading", () => this.draw());
    app.on("place", () => this.#showChosen());
    app.on("loop", () => this.#showChosen());
    app.on("moved", ({ song, at }) => this.#moved(song, at));
    app.on("stopped", () => this.map.setNow(null));
  }

  draw() {
    const { reading, data } = this.app;
    drawAnswers($("answers"), reading, data);
    if (!reading.bars.length) return;
    drawLegend($("legend"), reading);
    drawPlanWords($("plan-words"), reading);
    this.#drawMap();
    this.fit();
  }

  // What depends on the width that is there.
  fit() {
    this.map.fitColumns();
    this.tempo = drawTempo($("tempo"), this.app.reading);
  }

  async #drawMap() {
    await this.map.draw(this.app.reading, this.phrase);
    this.#showChosen();
    performance.mark("bars drawn");
  }

  #showChosen() {
    this.map.setLoop(this.app.loop, this.app.selected);
  }

  #wirePhrase() {
    const select = $("phrase");
    const known = PHRASES.includes(this.phrase);
    const lengths = known ? PHRASES : [...PHRASES, this.phrase].sort((a, b) => a - b);
    const option = (n) => el("option", { value: n, selected: n === this.phrase }, String(n));
    select.replaceChildren(...lengths.map(option));
    select.addEventListener("change", () => {
      this.phrase = Number(select.value);
      this.#drawMap();
    });
  }

  #moved(song, at) {
    this.map.setNow(at.bar);
    const button = this.map.buttons[at.bar];
    if (!button || $("view-song").hidden) return;
    const still = littleMotion();
    // With little motion wanted, the playhead steps from beat to beat.
    const beats = still ? Math.floor(at.beatsFromOne) : at.beatsFromOne;
    button.style.setProperty("--at", (beats / this.app.reading.bars[at.bar].full).toFixed(4));
    if (!still || at.beat !== this.lastBeat) this.tempo?.move(song);
    if (at.bar !== this.lastBar) keepInSight(button, still);
    this.lastBar = at.bar;
    this.lastBeat = at.beat;
  }

  #wireMap() {
    const map = $("map");
    map.addEventListener("pointerdown", (event) => this.#dragStart(event));
    map.addEventListener("pointermove", (event) => this.#dragMove(event));
    map.addEventListener("pointerup", () => this.#dragEnd());
    map.addEventListener("pointercancel", () => {
      this.drag = null;
      this.#showChosen();
    });
    map.addEventListener("keydown", (event) => this.#key(event));
    // A click without a pointer comes from a screen reader or a switch.
    map.addEventListener("click", (event) => {
      const bar = barUnder(event.target);
      if (bar !== null && event.detail === 0) this.#choose(bar);
    });
  }

  #dragStart(event) {
    const bar = barUnder(event.target);
    if (bar === null || event.button > 0) return;
    this.drag = { from: bar, to: bar };
    $("map").setPointerCapture(event.pointerId);
  }

  #dragMove(event) {
    if (!this.drag) return;
    const bar = barUnder(document.elementFromPoint(event.clientX, event.clientY));
    if (bar === null || bar === this.drag.to) return;
    this.drag.to = bar;
    this.map.setLoop(rangeOf(this.drag), this.app.selected);
  }

  #dragEnd() {
    if (!this.drag) return;
    const range = rangeOf(this.drag);
    const dragged = this.drag.from !== this.drag.to;
    this.drag = null;
    if (dragged) this.app.setLoop(range);
    else this.#choose(range.first);
  }

  #choose(bar) {
    this.app.goTo(bar);
    this.map.buttons[bar]?.focus({ preventScroll: true });
    this.app.say(barWords(this.app.reading, bar));
  }

  #key(event) {
    const bar = barUnder(event.target);
    if (bar === null) return;
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      event.stopPropagation();
      this.app.playFrom(bar);
      return;
    }
    const to = this.#barByKey(event.key, bar);
    if (to === null) return;
    event.preventDefault();
    if (event.shiftKey) {
      this.keyLoopFrom ??= bar;
      this.app.setLoop(rangeOf({ from: this.keyLoopFrom, to }));
    } else {
      this.keyLoopFrom = null;
    }
    this.app.select(to);
    this.map.buttons[to].focus();
  }

  #barByKey(key, bar) {
    const last = this.app.reading.bars.length - 1;
    const row = this.map.columns;
    const steps = { ArrowLeft: bar - 1, ArrowRight: bar + 1, ArrowUp: bar - row, ArrowDown: bar + row };
    const to = { ...steps, Home: 0, End: last }[key];
    return to === undefined ? null : Math.min(last, Math.max(0, to));
  }
}

function keepInSight(button, still) {
  const box = button.getBoundingClientRect();
  const top = document.querySelector(".views").offsetHeight;
  const bottom = window.innerHeight - document.querySelector(".transport").offsetHeight;
  if (box.bottom > bottom || box.top < top)
    button.scrollIntoView({ block: "center", behavior: still ? "auto" : "smooth" });
}
