// The view for playing along: click set, gaps, loop, speed, levels.

import { clickSet } from "./clickset.mjs";
import { $, barsText, countOf, el, radio, rangeOf, setText } from "./drawing.mjs";
import { tappablePlaces } from "./reading.mjs";
import { keep, kept } from "./keeping.mjs";
import { CLICK_SOUNDS, bytesOfBase64, delayAgainst } from "./sound.mjs";

const CHECK_S = 30;
const NO_GAPS = "Off: every bar clicks.";

export class KitView {
  constructor(app) {
    this.app = app;
    $("count-in").addEventListener("change", () => {
      app.countInBars = Number($("count-in").value);
    });
    for (const id of ["gap-on", "gap-off"]) {
      const set = () =>
        app.setClicks({ gapOn: countOf($("gap-on"), 0, 64), gapOff: countOf($("gap-off"), 0, 64) });
      $(id).addEventListener("change", set);
    }
    app.on("clicks", () => this.#showGaps());
    $("loop-set").addEventListener("click", () => this.#loopTyped());
    $("loop-off").addEventListener("click", () => app.setLoop(null));
    this.#wireSpeed();
    this.#wireSounds();
    $("file").addEventListener("change", () => this.#openFile($("file").files[0]));
    $("check-timing").addEventListener("click", () => this.#checkTiming());
    for (const name of ["track", "click", "guide"]) wireLevel(app, name);
    app.on("reading", () => this.draw());
    app.on("clicks", () => this.#showClicks());
    app.on("loop", () => this.#showLoop());
    app.on("place", () => this.#showLoop());
  }

  draw() {
    const { app } = this;
    if (!app.reading.bars.length) return;
    $("file-box").hidden = app.data.inside;
    const followed = app.reading.guides.length > 0;
    $("level-guide").closest("label").hidden = !followed;
    const presets = app.reading.presets.filter(({ on }) => followed || on !== "guide");
    drawPresets($("presets"), presets, app.clicks.on, (key) => app.setClicks({ on: key }));
    drawPlaces($("places"), app.reading, app.clicks, (place) => this.#togglePlace(place));
    this.#showLoop();
    this.#showGaps();
    this.shownSpeed = null;
    this.#showSpeed(this.app.speed);
  }

  #wireSpeed() {
    const { app } = this;
    $("speed").addEventListener("input", () => this.#showSpeed(Number($("speed").value) / 100));
    $("speed").addEventListener("change", () => app.setSpeed(Number($("speed").value) / 100));
    const ramp = () => {
      const step = countOf($("ramp-step"), 0, 25) / 100;
      app.setRamp(step ? { step, to: countOf($("ramp-to"), 50, 125) / 100 } : null);
    };
    $("ramp-step").addEventListener("change", ramp);
    $("ramp-to").addEventListener("change", ramp);
    app.on("speed", () => this.#showSpeed(app.speed));
    app.on("moved", ({ speed }) => this.#showSpeed(speed));
    app.on("stopped", () => this.#showSpeed(app.speed));
  }

  #showSpeed(speed) {
    if (speed === this.shownSpeed) return;
    this.shownSpeed = speed;
    $("speed-out").textContent =
      `${Math.round(100 * speed)} %, ${(this.app.reading.bpm * speed).toFixed(0)} bpm`;
    $("speed").setAttribute("aria-valuetext", $("speed-out").textContent);
  }

  #wireSounds() {
    const { app } = this;
    app.clickSound = kept("sound", "tone") in CLICK_SOUNDS ? kept("sound", "tone") : "tone";
    const choose = (sound) => () => {
      keep("sound", sound);
      app.setClickSound(sound);
    };
    const options = Object.entries(CLICK_SOUNDS).map(([sound, { words }]) =>
      radio("sound", sound, words, sound === app.clickSound, choose(sound)),
    );
    $("sounds").replaceChildren(...options);
  }

  #togglePlace(place) {
    const { clicks } = this.app;
    const places = new Set(clicks.on === "places" ? clicks.places : []);
    if (!places.delete(place)) places.add(place);
    this.app.setClicks({ on: "places", places: [...places] });
  }

  #showGaps() {
    const { gapOn = 0, gapOff = 0 } = this.app.clicks;
    $("gap-on").value = String(gapOn);
    $("gap-off").value = String(gapOff);
    const bars = (n) => `${n} ${n === 1 ? "bar" : "bars"}`;
    const going = gapOn > 0 && gapOff > 0;
    setText(
      "gap-note",
      going ? `${bars(gapOn)} with clicks, then ${bars(gapOff)} without, and again.` : NO_GAPS,
    );
  }

  #showClicks() {
    const { on, places } = this.app.clicks;
    for (const input of $("presets").querySelectorAll("input")) input.checked = input.value === on;
    for (const button of $("places").querySelectorAll("button")) {
      button.setAttribute("aria-pressed", String(on === "places" && places.includes(button.dataset.place)));
    }
  }

  #loopTyped() {
    const numbers = this.app.reading.bars.map((bar) => bar.number);
    const index = (id) => Math.max(0, numbers.indexOf(countOf($(id), numbers[0], numbers.at(-1))));
    this.app.setLoop(rangeOf({ from: index("loop-from"), to: index("loop-to") }));
  }

  #showLoop() {
    const { loop, reading, selected, data } = this.app;
    $("loop-chip").hidden = !loop;
    if (!reading.bars.length) return;
    const numbers = reading.bars.map((bar) => bar.number);
    // What is offered begins with a whole bar.
    const whole = selected + (numbers[selected] ? 0 : 1);
    const shown = loop ?? { first: whole, last: Math.min(numbers.length - 1, whole + data.phrase - 1) };
    if (loop) $("loop-chip").replaceChildren(...this.#loopWords(loop));
    for (const [id, bar] of [
      ["loop-from", shown.first],
      ["loop-to", shown.last],
    ]) {
      $(id).min = String(numbers[0]);
      $(id).max = String(numbers.at(-1));
      $(id).value = String(numbers[bar]);
    }
  }

  #loopWords(loop) {
    const end = { click: () => this.app.setLoop(null) };
    return [
      el("span", {}, `Loop ${barsText(this.app.reading, loop.first, loop.last)}`),
      el("button", { type: "button", class: "quiet", "aria-label": "End the loop", on: end }, "End"),
    ];
  }

  async #openFile(file) {
    if (!file) return;
    const note = $("file-note");
    note.textContent = "Reading ...";
    const mixer = await this.app.readyMixer();
    let buffer;
    try {
      buffer = await mixer.context.decodeAudioData(await file.arrayBuffer());
    } catch {
      note.textContent = `${file.name}: this browser can't play it. Convert it to wav or flac and open that.`;
      return;
    }
    const delay = delayAgainst(excerptOf(this.app.data), monoOf(buffer), buffer.sampleRate);
    if (delay === null) {
      note.textContent = `${file.name}: not the recording that this page was made from. Open ${this.app.data.track.name}.`;
      return;
    }
    this.app.useTrack(buffer, delay);
    const ms = Math.abs(1000 * delay);
    const late =
      ms < 0.05 ? "in time" : `${ms.toFixed(1)} ms ${delay < 0 ? "early" : "late"}; that is made good`;
    note.textContent = `${file.name} is ready. This browser starts it ${late}.`;
  }

  async #checkTiming() {
    const note = $("timing-note");
    note.textContent = "Rendering ...";
    const { reading } = this.app;
    const from = reading.bars[0].start;
    const beats = reading.time.filter((t) => t < from + CHECK_S - 1);
    const { samples, rate } = await this.app.render({ clicks: clickSet("beats"), startBar: 0 }, CHECK_S);
    const worst = Math.max(...beats.map((t) => Math.abs(onsetNear(samples, rate, t - from) - (t - from))));
    note.textContent = `${beats.length} clicks, the farthest ${(1000 * worst).toFixed(2)} ms from its beat.`;
  }
}

// A slider for one of the levels, with its share beside it.
export function wireLevel(app, name) {
  const slider = $(`level-${name}`);
  slider.value = String(Math.round(100 * app.levels[name]));
  const show = () => {
    document.querySelector(`output[for="level-${name}"]`).textContent = `${slider.value} %`;
    slider.setAttribute("aria-valuetext", `${slider.value} percent`);
    app.setLevel(name, Number(slider.value) / 100);
  };
  slider.addEventListener("input", show);
  app.on("levels", () => {
    if (slider.value === String(Math.round(100 * app.levels[name]))) return;
    slider.value = String(Math.round(100 * app.levels[name]));
    show();
  });
  show();
}

function excerptOf(data) {
  const { at, rate, pcm } = data.excerpt;
  const words = new Int16Array(bytesOfBase64(pcm).buffer);
  return { at, rate, samples: Float32Array.from(words, (word) => word / 32768) };
}

function monoOf(buffer) {
  const mono = new Float32Array(buffer.length);
  for (let c = 0; c < buffer.numberOfChannels; c += 1) {
    const channel = buffer.getChannelData(c);
    for (let k = 0; k < mono.length; k += 1) mono[k] += channel[k] / buffer.numberOfChannels;
  }
  return mono;
}

// The first sample near a time that is clearly louder than silence, in seconds.
function onsetNear(samples, rate, t) {
  const from = Math.max(0, Math.round((t - 0.05) * rate));
  const to = Math.min(samples.length, Math.round((t + 0.05) * rate));
  const peak = samples.subarray(from, to).reduce((most, x) => Math.max(most, Math.abs(x)), 0);
  for (let k = from; k < to; k += 1) if (Math.abs(samples[k]) > 0.1 * peak && peak > 1e-4) return k / rate;
  return Infinity;
}

function drawPresets(box, presets, chosen, choose) {
  const option = ({ on, words }) => radio("preset", on, words, on === chosen, () => choose(on));
  box.replaceChildren(...presets.map(option));
}

// One button a count; those in the set are pressed.
function drawPlaces(box, reading, set, toggle) {
  const pressed = new Set(set.on === "places" ? set.places : []);
  const groups = new Map();
  for (const place of reading.bars.length ? tappablePlaces(reading) : []) {
    const count = parseInt(place.label, 10);
    const text = place.label === String(count) ? place.label : place.label.slice(String(count).length);
    const button = el(
      "button",
      {
        type: "button",
        class: text === place.label ? "place on-beat" : "place",
        "aria-pressed": pressed.has(place.label),
        "aria-label": place.label,
        "data-place": place.label,
        on: { click: () => toggle(place.label) },
      },
      text,
    );
    if (!groups.has(count)) groups.set(count, el("div", { class: "place-group" }));
    groups.get(count).append(button);
  }
  box.replaceChildren(...groups.values());
}
