// Putting it right by ear: moving the 1, half and double, and the command that keeps it.

import { commandWords } from "./command.mjs";
import { $, barName, el, percent } from "./drawing.mjs";
import { lastAtOrBefore, nearestPlace, shiftToOne } from "./reading.mjs";

export class EarView {
  constructor(app) {
    this.app = app;
    const move = (beats) => () => this.#correct({ kind: "shift", beats });
    $("fix-earlier").addEventListener("click", move(-1));
    $("fix-later").addEventListener("click", move(1));
    $("fix-half").addEventListener("click", () => this.#correct({ kind: "half" }));
    $("fix-double").addEventListener("click", () => this.#correct({ kind: "double" }));
    $("fix-undo").addEventListener("click", () => this.#recorrect(app.corrections.slice(0, -1), "Undone."));
    $("fix-tap").addEventListener("click", (event) => this.#oneIsHere(event.timeStamp));
    $("command-copy").addEventListener("click", () => this.#copyCommand());
    app.on("reading", () => this.draw());
  }

  draw() {
    if (!this.app.reading.bars.length) return;
    this.#drawBar();
    this.#drawCommand();
    this.#drawReadings();
  }

  #oneIsHere(timeStamp) {
    const { player } = this.app;
    const song = player.playing
      ? this.app.songAtTap(player.contextTimeAt(timeStamp) - this.app.tapDelay)
      : null;
    if (song === null || !nearestPlace(this.app.reading, song)) {
      $("fix-note").textContent =
        "Play the song first, and press this when you hear the 1. Or choose the beat below.";
      return;
    }
    this.#oneAtBeat(this.#nearestBeat(song));
  }

  #nearestBeat(song) {
    const { time } = this.app.reading;
    const k = Math.max(0, lastAtOrBefore(time, song));
    return k + 1 < time.length && time[k + 1] - song < song - time[k] ? k + 1 : k;
  }

  #oneAtBeat(beat) {
    const beats = shiftToOne(this.app.reading, beat);
    if (beats === 0) $("fix-note").textContent = "That is where the page has the 1 already.";
    else this.#correct({ kind: "shift", beats });
  }

  #correct(correction) {
    this.#recorrect([...this.app.corrections, correction], correctionSaid(correction));
  }

  #recorrect(corrections, words) {
    this.app.recorrect(corrections);
    const guide = this.app.reading.guides[0];
    const places = guide?.places.map((place) => place.label).join(", ") || "no steady place";
    $("fix-note").textContent = guide ? `${words} The ${guide.called} now falls on ${places}.` : words;
  }

  // The selected bar's beats as buttons: which of them is the 1?
  #drawBar() {
    const { reading, selected } = this.app;
    const bar = reading.bars[selected];
    const name = barName(reading, selected);
    const buttons = Array.from({ length: bar.n }, (_, k) => {
      const count = reading.count[bar.first + k];
      return el(
        "button",
        {
          type: "button",
          class: "place on-beat",
          "data-beat": bar.first + k,
          "aria-pressed": count === 1,
          "aria-label": `count ${count} of ${name} is the 1`,
          on: { click: () => this.#oneAtBeat(bar.first + k) },
        },
        String(count),
      );
    });
    $("fix-drawing").replaceChildren(
      el("p", {}, `In ${name}, the 1 is on the count that now reads:`),
      el("div", { class: "places" }, ...buttons),
    );
  }

  #drawCommand() {
    const words = commandWords(this.app.data.command, this.app.reading, this.app.corrections);
    $("command").replaceChildren(...words.flatMap((word) => [el("span", { class: "word" }, word), " "]));
    $("fix-undo").disabled = this.app.corrections.length === 0;
  }

  async #copyCommand() {
    try {
      await navigator.clipboard.writeText($("command").textContent.trim());
      this.app.say("Copied");
      $("command-copy").textContent = "Copied";
    } catch {
      getSelection().selectAllChildren($("command"));
      $("command-copy").textContent = "Marked: copy it with the keyboard";
    }
  }

  #drawReadings() {
    const items = this.app.data.alternatives.map((other) =>
      el("li", {}, `${other.reading} (${percent(other.probability)}); hint: `, el("code", {}, other.hint)),
    );
    $("readings").replaceChildren(...(items.length ? items : [el("li", {}, "No other reading came near.")]));
  }
}

function correctionSaid({ kind, beats }) {
  if (kind === "half") return "Half the tempo.";
  if (kind === "double") return "Double the tempo.";
  const size = Math.abs(beats);
  return `The 1 moved by ${size} ${size === 1 ? "beat" : "beats"}, ${beats < 0 ? "earlier" : "later"}.`;
}
