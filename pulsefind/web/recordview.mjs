// Record yourself in the page: play along with headphones on, see early and late, hear it against the track, keep the wav.

import { quoted } from "./command.mjs";
import { $, barsText, bringUp, el, offsetText } from "./drawing.mjs";
import { keep, kept } from "./keeping.mjs";
import { lastAtOrBefore, nearestPlace, planParts } from "./reading.mjs";
import { Recorder, wavOf } from "./recorder.mjs";
import { ribbon, ribbonWords } from "./ribbon.mjs";
import { chainDelay, strokesIn } from "./strokes.mjs";
import { median } from "./training.mjs";

const LISTEN_CLICKS = 10;
const LISTEN_STEP_S = 0.7;
const CLOSE_S = 0.5;
const FEWEST = 4;

export class RecordView {
  constructor(app) {
    this.app = app;
    this.delay = kept("microphone", null);
    $("record-start").addEventListener("click", () => this.start());
    $("record-hear").addEventListener("click", () => this.#hear());
    $("record-keep").addEventListener("click", () => this.#keepWav());
    $("record-lag").addEventListener("click", () => this.#measureChain());
    app.on("stopped", () => this.#stopped());
    app.on("trouble", () => this.#stopped());
    app.on("reading", () => this.draw());
  }

  draw() {
    this.#showDelay();
    if (this.take) this.#drawTake();
  }

  fit() {
    if (this.take) this.#drawTake();
  }

  #showDelay() {
    $("lag-note").textContent =
      this.delay === null
        ? "Not known yet: early and late are told against your own average."
        : `${(1000 * this.delay).toFixed(0)} ms from the click to its sound in the microphone; taken off.`;
  }

  async #open() {
    const mixer = await this.app.readyMixer();
    const recorder = new Recorder(mixer.context);
    try {
      await recorder.open();
      return recorder;
    } catch (error) {
      $("record-note").textContent =
        `No microphone: ${error.message}. Allow it for this page, or record elsewhere and use pulsefind take.`;
      return null;
    }
  }

  async start() {
    if (this.recorder) {
      this.app.stop();
      return;
    }
    this.app.player.stop();
    const recorder = await this.#open();
    if (!recorder) return;
    this.recorder = recorder;
    $("record-start").textContent = "Stop recording";
    $("record-note").textContent = "Recording. Headphones on: the track must not reach the microphone.";
    await this.app.play({ loop: null, speed: 1, ramp: null });
    this.run = this.app.player.scheduler;
  }

  #stopped() {
    if (!this.recorder) return;
    const sound = this.recorder.close();
    this.recorder = null;
    $("record-start").textContent = "Record a take";
    if (!this.run) {
      $("record-note").textContent = "Stopped before the song began: nothing was recorded.";
      return;
    }
    const { musicAt, run } = this.run;
    this.take = takeOf(sound, musicAt, run.begin, this.app.reading, this.delay);
    this.run = null;
    this.#drawTake();
    bringUp($("record-note"));
  }

  #drawTake() {
    const { reading } = this.app;
    const { marks } = this.take;
    const review = $("record-review");
    for (const button of [$("record-hear"), $("record-keep"), review])
      if (button) button.disabled = !this.take.samples.length;
    const words = takeSaid(reading, this.take);
    $("record-note").textContent = words;
    if (marks.length < FEWEST) {
      $("record-ribbon").replaceChildren();
      return;
    }
    const width = Math.max(280, $("record-ribbon").clientWidth);
    const { bars } = reading;
    const [from, to] = [bars[marks[0].bar].start, bars[marks.at(-1).bar].end];
    const hatched = planParts(reading)
      .filter((part) => part.kind === "alone")
      .map((part) => ({
        from: Math.max(from, bars[part.first].start),
        to: Math.min(to, bars[part.last].end),
      }))
      .filter((part) => part.to > part.from);
    const drawn = ribbon(marks, { from, to, width, hatched, said: words });
    $("record-ribbon").replaceChildren(drawn, ribbonWords(marks), stretchList(reading, marks));
    if (!this.app.data.room) $("record-command").textContent = this.#command();
  }

  #command() {
    const { track } = this.app.data.command;
    const named = track.startsWith("-") ? `./${track}` : track;
    return `pulsefind take ${quoted(named)} take.wav --starts-at=${this.take.startsAt.toFixed(3)}`;
  }

  // The track, and over it what the microphone heard.
  #hear() {
    const { samples, rate, startsAt } = this.take;
    const buffer = this.app.player.mixer.context.createBuffer(1, samples.length, rate);
    buffer.copyToChannel(samples, 0);
    const first = Math.max(
      0,
      lastAtOrBefore(
        this.app.reading.bars.map((bar) => bar.start),
        startsAt + 0.05,
      ),
    );
    this.app.play({
      startBar: first,
      loop: null,
      speed: 1,
      ramp: null,
      overlay: { buffer, songStart: startsAt },
    });
  }

  #keepWav() {
    const { samples, rate } = this.take;
    saveFile("take.wav", new Blob([wavOf(samples, rate)], { type: "audio/wav" }));
  }

  // Clicks into the microphone, from the headphones held at it: how late the whole chain is.
  async #measureChain() {
    this.app.player.stop();
    const recorder = await this.#open();
    if (!recorder) return;
    const { mixer } = this.app.player;
    const first = mixer.context.currentTime + 0.5;
    const clicks = Array.from({ length: LISTEN_CLICKS }, (_, k) => first + k * LISTEN_STEP_S);
    $("lag-note").textContent = "Hold the headphones at the microphone ...";
    mixer.fadeIn(first);
    for (const at of clicks) mixer.playClick("one", at);
    await new Promise((resolve) => {
      setTimeout(resolve, 1000 * (LISTEN_CLICKS * LISTEN_STEP_S + 1));
    });
    const { samples, rate, at } = recorder.close();
    const found = chainDelay(
      strokesIn(samples, rate).map((t) => t + at),
      clicks,
    );
    if (found) {
      this.delay = found.delay;
      keep("microphone", this.delay);
      this.#showDelay();
    } else {
      $("lag-note").textContent =
        "Too few clicks were heard. Hold the headphones right at the microphone, and try again.";
    }
  }
}

// What was recorded, on the time of the song. delay: seconds that the chain is late, or null when it isn't known; then
// marks are told against the player's own median.
export function takeOf(sound, musicAt, begin, reading, delay) {
  const startsAt = begin + (sound.at - musicAt) - (delay ?? 0);
  const strokes = strokesIn(sound.samples, sound.rate).map((t) => t + startsAt);
  const near = strokes
    .filter((t) => t > reading.bars[0].start - 0.2 && t < reading.end)
    .map((t) => ({ t, place: nearestPlace(reading, Math.max(t, reading.bars[0].start)) }))
    .filter(({ place }) => place !== null);
  const usual = delay === null && near.length ? median(near.map(({ place }) => place.offset)) : 0;
  const marks = strokes
    .map((t) => t - usual)
    .map((t) => ({ time: t, place: nearestPlace(reading, t) }))
    .filter(({ place }) => place !== null)
    .map(({ time, place }) => ({ time, offset_ms: 1000 * place.offset, bar: place.bar, label: place.label }));
  return { ...sound, startsAt: startsAt - usual, strokes, marks, known: delay !== null };
}

export function takeSaid(reading, { marks, known }) {
  if (marks.length < FEWEST)
    return "Too few strokes were heard. Is it the right microphone, and loud enough?";
  const offsets = marks.map((mark) => mark.offset_ms);
  const mean = offsets.reduce((a, b) => a + b, 0) / offsets.length;
  const spread = Math.sqrt(offsets.reduce((a, b) => a + (b - mean) ** 2, 0) / offsets.length);
  const lean = known ? `${offsetText(mean)} on average, ` : "";
  const share = spread / noticeableMs(marks);
  const heard = share < 1 ? "Nobody hears that." : share < 2 ? "Close." : "Listeners notice it.";
  return `${marks.length} strokes: ${lean}give or take ${spread.toFixed(0)} ms. ${heard}`;
}

// What a listener just notices at the usual space between strokes: 6 ms below 240 ms, 2.5 % above (Friberg and Sundberg
// 1995, as in take/measures.py).
function noticeableMs(marks) {
  const spaces = marks.slice(1).map(({ time }, k) => 1000 * (time - marks[k].time));
  return Math.max(6, 0.025 * median(spaces));
}

// Stretch by stretch, in words; where one was alone, or far from the usual, is plain at once.
function stretchList(reading, marks) {
  const items = planParts(reading).flatMap((part) => {
    const here = marks.filter((mark) => part.first <= mark.bar && mark.bar <= part.last);
    if (here.length < FEWEST) return [];
    const mean = here.reduce((sum, mark) => sum + mark.offset_ms, 0) / here.length;
    const what = part.kind === "alone" ? "alone" : "with something to follow";
    return [el("li", {}, `${barsText(reading, part.first, part.last)}, ${what}: ${offsetText(mean)}`)];
  });
  return el("ul", { class: "plain" }, ...items);
}

export function saveFile(name, blob) {
  const link = el("a", { href: URL.createObjectURL(blob), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000 * CLOSE_S);
}
