// Fingers, pointer and keys on the road: a tap goes there, a drag loops, arrows move and choose.

import { rangeOf } from "./drawing.mjs";
import { barAtPlace } from "./layout.mjs";
import { barWords } from "./roadwords.mjs";

const DRAG_PX = 6;

export class RoadHands {
  constructor(app, road) {
    this.app = app;
    this.road = road;
    this.box = road.box;
    this.#wirePointer();
    this.box.addEventListener("keydown", (event) => this.#key(event));
  }

  #wirePointer() {
    const { box } = this;
    box.addEventListener("pointerdown", (event) => {
      if (event.button > 0 || !this.road.layout) return;
      const bar = this.#barUnder(event);
      this.drag = { from: bar, to: bar, x: event.clientX, y: event.clientY, moved: false };
      box.setPointerCapture(event.pointerId);
    });
    box.addEventListener("pointermove", (event) => {
      if (!this.drag) return;
      this.drag.moved ||= Math.hypot(event.clientX - this.drag.x, event.clientY - this.drag.y) > DRAG_PX;
      this.drag.to = this.#barUnder(event);
      if (this.drag.moved) this.road.showChosen(rangeOf(this.drag));
    });
    box.addEventListener("pointerup", () => {
      const { drag } = this;
      this.drag = null;
      if (!drag) return;
      if (drag.moved) this.app.setLoop(rangeOf(drag));
      else this.#choose(drag.from);
    });
    box.addEventListener("pointercancel", () => {
      this.drag = null;
      this.road.showChosen();
    });
  }

  #barUnder(event) {
    const box = this.box.firstChild.getBoundingClientRect();
    const row = Math.floor((event.clientY - box.top) / this.road.rowHeight());
    return barAtPlace(this.road.layout, this.app.reading, row, event.clientX - box.left);
  }

  #choose(bar) {
    this.app.goTo(bar);
    this.app.say(barWords(this.app.reading, bar));
  }

  #key(event) {
    const { app } = this;
    if (event.key === "Enter") {
      event.preventDefault();
      app.playFrom(app.selected);
      return;
    }
    const to = this.#barByKey(event.key, app.selected);
    if (to === null || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    event.stopPropagation();
    if (event.shiftKey) {
      this.loopFrom ??= app.selected;
      app.setLoop(rangeOf({ from: this.loopFrom, to }));
      app.select(to);
    } else {
      this.loopFrom = null;
      app.goTo(to);
    }
  }

  #barByKey(key, bar) {
    const last = this.app.reading.bars.length - 1;
    const { phrase } = this.app.data;
    const steps = {
      ArrowLeft: -1,
      ArrowRight: 1,
      ArrowUp: 1,
      ArrowDown: -1,
      PageUp: phrase,
      PageDown: -phrase,
    };
    const to = key === "Home" ? 0 : key === "End" ? last : key in steps ? bar + steps[key] : null;
    return to === null ? null : Math.min(last, Math.max(0, to));
  }
}
