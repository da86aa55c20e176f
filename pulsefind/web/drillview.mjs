// The view of the drills: what starts them, and the ways to tap.

import { Delay, FindOne, HoldIt } from "./drills.mjs";
import { $, bringUp, countOf } from "./drawing.mjs";
import { kept } from "./keeping.mjs";
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
      if (going) this.#begun();
      else this.#ended();
    });
  }

  // While a drill runs, the view has nothing but it: what it says and asks stands above the tap pad on small screens too.
  #begun() {
    const notes = new Map([
      [this.delay, "delay-note"],
      [this.findOne, "one-note"],
      [this.holdIt, "hold-note"],
    ]);
    $("tap").disabled = false;
    this.note = $(notes.get(this.app.training));
    if (!this.note) return;
    this.note.closest(".trainer").classList.add("now");
    $("view-drills").classList.add("drilling");
    $("tap").focus({ preventScroll: true });
    bringUp(this.note);
  }

  #ended() {
    const focused = document.activeElement === $("tap");
    $("tap").disabled = true;
    if (!this.note) return;
    const trainer = this.note.closest(".trainer");
    trainer.classList.remove("now");
    $("view-drills").classList.remove("drilling");
    if (focused) trainer.querySelector("button").focus({ preventScroll: true });
    bringUp(this.note);
    this.note = null;
  }

  #flash() {
    $("tap").classList.add("hit");
    setTimeout(() => $("tap").classList.remove("hit"), FLASH_MS);
  }
}
