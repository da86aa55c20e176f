// For who is new to a song: hear the sound to follow, play along to it, record yourself. Who has done it knows the way.

import { painted } from "./app.mjs";
import { $, barsText, bringUp, called, placesText, setText } from "./drawing.mjs";
import { keep, kept } from "./keeping.mjs";
import { planParts } from "./reading.mjs";

const GUIDE_FORWARD = 0.6;
const PHRASES = 2;
const FIRST_STEPS = ["hear", "play", "record"];

export class FirstSteps {
  constructor(app, show) {
    this.app = app;
    this.show = show;
    this.done = new Set();
    this.known = kept("steps", false);
    $("step-hear").addEventListener("click", () => this.#hear());
    $("step-play").addEventListener("click", () => this.#play());
    $("step-record").addEventListener("click", () => this.#record());
    app.on("reading", () => this.draw());
  }

  draw() {
    const { reading } = this.app;
    $("steps").hidden = this.known || !reading.bars.length;
    if ($("steps").hidden) return;
    const guide = this.#part().guide;
    setText("step-hear", `1. Hear the ${guide < 0 ? "song" : called(reading, guide)}`);
  }

  // The first stretch with a sound to follow; without one, the first.
  #part() {
    const parts = planParts(this.app.reading);
    return parts.find(({ guide }) => guide >= 0) ?? parts[0];
  }

  #hear() {
    const { app } = this;
    const { first, guide } = this.#part();
    app.setLoop(null);
    this.#bringForward(guide);
    app.playFrom(first);
    const { reading } = app;
    const where =
      guide < 0 ? "" : ` It falls on ${placesText(reading.guides[guide])}, and is brought forward.`;
    this.#did("hear", `Each click is a count.${where} Count along aloud.`);
  }

  #play() {
    const { app } = this;
    const { first, last, guide } = this.#part();
    // A loop begins with a whole bar.
    const from = app.reading.bars[first].number ? first : Math.min(last, first + 1);
    const loop = { first: from, last: Math.min(last, from + PHRASES * app.data.phrase - 1) };
    this.#bringForward(guide);
    app.setLoop(loop);
    app.playFrom(loop.first);
    const bars = barsText(app.reading, loop.first, loop.last).replace("bar", "Bar");
    this.#did(
      "play",
      `${bars} go round, after a count-in. Play on your kit or on your knees until it feels easy, then press Stop.`,
    );
  }

  #record() {
    const { app } = this;
    app.stop();
    app.setLoop(null);
    this.#did("record", "");
    this.show("drills");
    setText("record-note", "Headphones on? Press Record a take, play along, and press Stop.");
    bringUp($("record-note"));
    $("record-start").focus({ preventScroll: true });
  }

  #bringForward(guide) {
    if (guide >= 0 && this.app.levels.guide < GUIDE_FORWARD) this.app.setLevel("guide", GUIDE_FORWARD);
  }

  async #did(step, words) {
    this.done.add(step);
    setText("steps-note", words);
    if (FIRST_STEPS.every((each) => this.done.has(each))) keep("steps", true);
    // Once the dock, which may have grown, has its height.
    await painted();
    $("steps-note").scrollIntoView({ block: "nearest" });
  }
}
