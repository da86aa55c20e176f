// Putting it right by ear: hear another reading, tap along, move the 1, half and double, nudge, a meter for a stretch; and
// the result as a command and as the lines of the song's file.

import { commandWords } from "./command.mjs";
import { correctionFromTaps, correctionOf, shiftToOne } from "./corrections.mjs";
import { $, barName, countOf, el, listed, percent, rangeOf } from "./drawing.mjs";
import { lastAtOrBefore, nearestPlace } from "./reading.mjs";
import { saveFile } from "./recordview.mjs";
import { songFileLines, songFileName, totalNudge } from "./songfile.mjs";

const TAPPED_BARS = 8;

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
    for (const button of document.querySelectorAll("[data-nudge]"))
      button.addEventListener("click", () => this.#nudge(Number(button.dataset.nudge)));
    $("meter-set").addEventListener("click", () => this.#setMeter());
    $("command-copy").addEventListener("click", () => copied($("command"), $("command-copy"), app));
    $("song-copy").addEventListener("click", () => copied($("song-file"), $("song-copy"), app));
    $("song-save").addEventListener("click", () => this.#saveSong());
    this.#wireTapping();
    app.on("reading", () => this.draw());
    app.on("place", () => {
      this.#drawBar();
      this.#drawMeter();
    });
  }

  draw() {
    if (!this.app.reading.bars.length) return;
    this.#drawBar();
    this.#drawResult();
    this.#drawReadings();
    this.#drawMeter();
  }

  // ---- the 1, and the pace

  #oneIsHere(timeStamp) {
    const { app } = this;
    const song = app.player.playing
      ? app.songAtTap(app.player.contextTimeAt(timeStamp) - app.tapDelay)
      : null;
    if (song === null || !nearestPlace(app.reading, song)) {
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

  // Moved while the click sounds: the song goes on from where it is.
  async #nudge(ms) {
    const { app } = this;
    const song = app.player.playing
      ? app.player.scheduler.songAt(app.player.mixer.context.currentTime)
      : null;
    const others = app.corrections.filter(({ kind }) => kind !== "nudge");
    const total = totalNudge(app.corrections) + ms;
    app.recorrect(total ? [...others, { kind: "nudge", ms: total }] : others);
    $("nudge-note").textContent = total
      ? `All beats ${Math.abs(total)} ms ${total < 0 ? "earlier" : "later"} than they were found.`
      : "Beats as they were found.";
    if (song !== null)
      await app.play({ startTime: song, startBar: app.selected, countInBars: 0, loop: null });
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
      el("p", {}, `Which count of ${name === "pickup" ? "the pickup" : name} is really the 1?`),
      el("div", { class: "places" }, ...buttons),
    );
  }

  // ---- tapping along

  #wireTapping() {
    this.tapping = new TapAlong(this.app, (found) => this.#tapped(found));
    $("ear-tap-start").addEventListener("click", () => this.app.train(this.tapping));
    $("ear-tap").addEventListener("pointerdown", (event) => {
      event.preventDefault();
      this.app.tap(event.timeStamp);
    });
    $("ear-tap").addEventListener("keydown", (event) => {
      if (event.key === "Enter" && !event.repeat) this.app.tap(event.timeStamp);
    });
    $("ear-tap-take").addEventListener("click", () => this.#takeTaps());
    this.app.on("training", () => {
      const going = this.app.training === this.tapping;
      $("ear-tap").disabled = !going;
      if (going) $("ear-tap").focus({ preventScroll: true });
    });
  }

  #tapped(found) {
    this.found = found;
    $("ear-tap-take").disabled = !found;
    $("ear-tap-note").textContent = found
      ? tapsSaid(found)
      : "These taps are too few or too uneven. Tap every beat, from a 1 on, for 8 bars.";
  }

  #takeTaps() {
    const { found } = this;
    this.#tapped(null);
    this.#recorrect([...this.app.corrections, found], "Read as you tapped.");
    $("ear-tap-note").textContent = "";
  }

  // ---- a meter for a stretch

  #drawMeter() {
    const { reading, selected } = this.app;
    const numbers = reading.bars.map((bar) => bar.number);
    for (const id of ["meter-from", "meter-to"]) {
      $(id).min = String(numbers[0]);
      $(id).max = String(numbers.at(-1));
      $(id).value = String(numbers[selected] || numbers[selected + 1]);
    }
    const per = reading.inThrees ? "beats of three" : reading.unit === 8 ? "eighths" : "quarters";
    $("meter-unit").textContent = per;
  }

  #setMeter() {
    const { reading } = this.app;
    const numbers = reading.bars.map((bar) => bar.number);
    const index = (id) => Math.max(0, numbers.indexOf(countOf($(id), numbers[0], numbers.at(-1))));
    const { first, last } = rangeOf({ from: index("meter-from"), to: index("meter-to") });
    const full = countOf($("meter-beats"), 2, 7);
    this.#correct({ kind: "meter", first, last, full, from: numbers[first], to: numbers[last] });
  }

  // ---- other readings

  #drawReadings() {
    const items = this.app.data.alternatives.map((other) => this.#readingItem(other));
    $("readings").replaceChildren(...(items.length ? items : [el("li", {}, "No other reading came near.")]));
  }

  #readingItem(other) {
    const { app } = this;
    const correction = correctionOf(other.hint, app.reading);
    const hear = async () => {
      const from = app.selected;
      this.#recorrect([...app.corrections, correction], `You hear it so: ${other.reading}.`);
      await app.play({ startBar: Math.min(from, app.reading.bars.length - 1), countInBars: 1, loop: null });
    };
    const words = `${other.reading} (${percent(other.probability)}) `;
    const button = correction
      ? el("button", { type: "button", on: { click: hear } }, "Hear it this way")
      : el("code", {}, other.hint);
    return el("li", {}, words, button);
  }

  // ---- the result

  #drawResult() {
    const { data, reading, corrections } = this.app;
    const words = commandWords(data.command, reading, corrections);
    $("command").replaceChildren(...words.flatMap((word) => [el("span", { class: "word" }, word), " "]));
    $("fix-undo").disabled = corrections.length === 0;
    this.#drawSong(songFileLines(data, reading, corrections));
  }

  // A file that is there already, if only with comments, is the player's: the page gives lines for it, never the whole.
  #drawSong({ text, dropped }) {
    const { known, hasSongFile, command, room } = this.app.data;
    const isNew = !hasSongFile && Object.keys(known).length === 0;
    $("song-box").hidden = Boolean(room) || (!text && !dropped.length);
    $("song-file").textContent = text;
    $("song-name").textContent = songFileName(command.track);
    $("song-save").hidden = !isNew;
    $("song-how").textContent = isNew
      ? "beside the recording. Every command reads it from then on."
      : `put these in place of the lines that begin alike, new ones at its top${text.includes("\n[") ? ", those from [ on at its end" : ""}; all else in it stays, comments too.`;
    $("song-dropped").textContent = dropped.length ? `Take out there: ${listed(dropped)}.` : "";
  }

  #saveSong() {
    const { data, reading, corrections } = this.app;
    const { text } = songFileLines(data, reading, corrections);
    saveFile(songFileName(data.command.track), new Blob([text], { type: "application/toml" }));
  }
}

// Tapping along with the song, without clicks that would lead the hand.
class TapAlong {
  constructor(app, done) {
    this.takesDelay = true;
    this.app = app;
    this.done = done;
  }

  async start() {
    this.times = [];
    $("ear-tap-note").textContent = "Wait for a 1, then tap every beat.";
    await this.app.play({
      clicks: { on: "none", places: [] },
      countInBars: 0,
      loop: null,
      speed: 1,
      ramp: null,
    });
  }

  tap(contextTime) {
    const song = this.app.songAtTap(contextTime);
    if (song === null) return;
    this.times.push(song);
    $("ear-tap-note").textContent = `${this.times.length} taps`;
    const { reading } = this.app;
    const enough = TAPPED_BARS * reading.bars[this.app.selected].full;
    if (this.times.length >= enough) this.app.endTraining(this);
  }

  end() {
    this.done(correctionFromTaps(this.app.reading, this.times));
  }
}

function tapsSaid({ times, parts, bpm }) {
  const told = parts.map(correctionSaid).join(" ") || "That is how the page reads it already.";
  return `${times.length} taps at ${bpm.toFixed(0)}. ${told}`;
}

function correctionSaid({ kind, beats, full, from, to }) {
  if (kind === "half") return "Half the tempo.";
  if (kind === "double") return "Double the tempo.";
  if (kind === "offbeat") return "The beats lie half a beat away.";
  if (kind === "meter") return `Bars ${from}-${to} counted in ${full}.`;
  const size = Math.abs(beats);
  return `The 1 moved by ${size} ${size === 1 ? "beat" : "beats"}, ${beats < 0 ? "earlier" : "later"}.`;
}

async function copied(box, button, app) {
  try {
    await navigator.clipboard.writeText(box.textContent.trim());
    app.say("Copied");
    button.textContent = "Copied";
  } catch {
    getSelection().selectAllChildren(box);
    button.textContent = "Marked: copy it with the keyboard";
  }
}
