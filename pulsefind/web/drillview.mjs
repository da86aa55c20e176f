// The view of the drills: what starts them, and the ways to tap.

import { Delay, FindOne, HoldIt } from "./drills.mjs";
import { $, countOf } from "./drawing.mjs";
import { kept } from "./keeping.mjs";
import { SHORT_PX } from "./layout.mjs";
import { listenToPads } from "./midi.mjs";
import { saveFile } from "./recordview.mjs";

const FLASH_MS = 90;

export class DrillView {
  constructor(app) {
    this.app = app;
    this.delay = new Delay(app, $("delay-note"));
    this.findOne = new FindOne(app, { score: $("one-score"), names: $("one-names"), note: $("one-note") });
    this.holdIt = new HoldIt(app, { note: $("hold-note"), chart: $("hold-chart"), stages: $("hold-stages") });
    $("delay-start").addEventListener("click", () => app.train(this.delay));
    $("one-start").addEventListener("click", () => app.train(this.findOne));
    $("one-reset").addEventListener("click", () => this.findOne.reset());
    $("hold-start").addEventListener("click", () => app.train(this.holdIt, countOf($("hold-bars"), 1, 16)));
    $("midi").addEventListener("click", async () => {
      $("midi-note").textContent = await listenToPads((timeStamp) => app.padStruck(timeStamp));
    });
    $("progress-save").addEventListener("click", () => {
      const lines = kept("progress", []).map((entry) => JSON.stringify(entry));
      saveFile(
        "progress.jsonl",
        new Blob([lines.map((line) => `${line}\n`).join("")], { type: "application/json" }),
      );
    });
    $("tap").addEventListener("pointerdown", (event) => {
      event.preventDefault();
      app.tap(event.timeStamp);
    });
    $("tap").addEventListener("keydown", (event) => {
      if (event.key === "Enter" && !event.repeat) app.tap(event.timeStamp);
    });
    app.on("tap", () => this.#flash());
    app.on("training", (going) => {
      $("tap").disabled = !going;
      if (!going) return;
      $("tap").focus({ preventScroll: true });
      this.#showDrill();
    });
  }

  // What the running drill says stands above the tap pad, on small screens too.
  #showDrill() {
    const notes = new Map([
      [this.delay, "delay-note"],
      [this.findOne, "one-note"],
      [this.holdIt, "hold-note"],
    ]);
    const note = notes.get(this.app.training);
    if (!note) return;
    const shown = window.innerHeight < SHORT_PX ? $(note) : $(note).closest(".trainer");
    shown.scrollIntoView();
  }

  #flash() {
    $("tap").classList.add("hit");
    setTimeout(() => $("tap").classList.remove("hit"), FLASH_MS);
  }
}
