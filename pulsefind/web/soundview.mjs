// The view of one bar: a guide's places, its hits, what it can be misheard as, and how sure the 1 is.

import { drawBar, drawLenses, drawSure, drawTable } from "./barview.mjs";
import { $, called, el, markIcon, radio } from "./drawing.mjs";

export class SoundView {
  constructor(app) {
    this.app = app;
    this.guide = app.reading.guides.length ? 0 : null;
    this.misreading = null;
    $("closer").addEventListener("toggle", () => this.fit());
    app.on("reading", () => {
      this.misreading = null;
      this.draw();
    });
  }

  draw() {
    if (!this.app.reading.bars.length) return;
    drawSure($("bar-sure"), this.app.data);
    $("closer").hidden = !this.app.reading.guides.length;
    this.#drawChoice();
    this.fit();
  }

  fit() {
    if ($("view-desk").hidden || !$("closer").open) return;
    const { reading } = this.app;
    const guide = this.guide === null ? null : reading.guides[this.guide];
    $("bar-name").textContent = guide
      ? `${guide.called}: ${guide.like}; ${guide.reliable}. It tells ${guide.tells}.`
      : "No guide was found: these are the counts of a bar.";
    drawBar($("bar-drawing"), reading, this.guide, this.misreading);
    drawLenses($("bar-lenses"), reading, this.guide);
    drawTable($("bar-table"), reading, this.guide);
    this.#drawMisreadings();
  }

  #drawChoice() {
    const choose = (guide) => () => {
      this.guide = guide;
      this.misreading = null;
      this.fit();
    };
    const options = this.app.reading.guides.map((guide, k) =>
      radio("guide", k, ` ${called(this.app.reading, k)}`, k === this.guide, choose(k), markIcon(guide, k)),
    );
    $("bar-guides").replaceChildren(...options);
  }

  #drawMisreadings() {
    const found = this.app.data.misreadings.filter((misreading) => misreading.guide === this.guide);
    $("bar-misreadings").replaceChildren(...found.map((misreading) => this.#misreadingItem(misreading)));
  }

  #misreadingItem(misreading) {
    const over = this.misreading === misreading;
    const layOver = () => {
      this.misreading = over ? null : misreading;
      this.fit();
      $("bar-misreadings").querySelector("button")?.focus();
    };
    const words = `it can be heard as ${misreading.heardAs}, at ${misreading.bpm.toFixed(0)} bpm. To tell: ${misreading.cue}.`;
    const button = el(
      "button",
      { type: "button", "aria-pressed": over, on: { click: layOver } },
      over ? "Take it off" : "Lay it over",
    );
    return el(
      "div",
      { class: "misreading" },
      el("p", {}, el("b", {}, "Easy to mishear: "), words),
      misreading.hitsAsBeats ? button : null,
    );
  }
}
