// The page's one state, and what can be done with it. Views listen ("on") and draw; they keep no state of the song.
//
// Told: "reading" (beats corrected), "place" (a bar chosen), "loop", "clicks", "levels", "starting" (true where the
// recording has yet to be read), "playing" and "stopped", "lead" (a count of the count-in sounds), "moved" ({ song, at }:
// each frame while playing), "training", "off stage", "said".

import { clickSet } from "./clickset.mjs";
import { barName, barsText } from "./drawing.mjs";
import { Player, renderRun } from "./player.mjs";
import { corrected } from "./corrections.mjs";
import { positionAt, readingOf } from "./reading.mjs";
import { roomPieces } from "./roomlink.mjs";
import { keepAwake } from "./wake.mjs";
import { Mixer, START_LEVEL, insidePieces, soundBegun, soundOf } from "./sound.mjs";

const MOST_GUIDE_BOOST = 4;
const EARLIEST_TAP_S = 0.25;
const LEAST_REVEAL_LEVEL = 0.3;
const PAINT_MS = 60;
const DEVICE_MS = 3000;
const NO_DEVICE = "The sound device doesn't start. Is one chosen, and free?";
const UNREADABLE =
  "This browser can't read the recording: too little memory? Close other pages, and load this one anew.";

export class App {
  constructor(data) {
    this.data = data;
    this.corrections = [];
    this.reading = readingOf(data);
    this.selected = 0;
    this.loop = null;
    this.clicks = clickSet("beats");
    this.speed = 1;
    this.ramp = null;
    this.clickSound = "tone";
    this.countInBars = 1;
    this.levels = { track: 0.8, click: 0.6, guide: 0, master: START_LEVEL };
    this.tapDelay = 0;
    this.track = null;
    this.recording = null;
    this.waiting = null;
    this.training = null;
    this.listeners = new Map();
    this.player = new Player(() => this.#makeMixer());
    this.player.onStop = () => this.#stopped();
  }

  // ---- telling the views

  on(name, listener) {
    if (!this.listeners.has(name)) this.listeners.set(name, []);
    this.listeners.get(name).push(listener);
  }

  tell(name, detail = null) {
    for (const listener of this.listeners.get(name) ?? []) listener(detail);
  }

  say(words) {
    this.tell("said", words);
  }

  // ---- loudness

  #makeMixer() {
    const mixer = new Mixer(new AudioContext({ latencyHint: "interactive" }));
    mixer.setAtOnce(this.#gains());
    mixer.setSound(this.clickSound);
    return mixer;
  }

  // Sliders feel even when their square is the gain.
  #gains() {
    const { track, click, guide, master } = this.levels;
    return { track: track ** 2, click: click ** 2, guide: MOST_GUIDE_BOOST * guide ** 2, master };
  }

  setLevel(name, share) {
    this.levels[name] = share;
    this.player.mixer?.set(this.#gains());
    this.tell("levels");
  }

  // ---- playing

  toggle() {
    if (this.training) this.endTraining(this.training);
    else if (this.player.playing || this.waiting) this.stop();
    else this.play();
  }

  // Stop what plays, or take back a start that still waits for the device or the recording.
  stop() {
    const waited = this.waiting;
    this.waiting = null;
    if (this.player.playing) this.player.stop();
    else if (waited) this.tell("stopped");
  }

  // What a first start would wait for, begun ahead: the device is made and rests until then ...
  async makeDevice() {
    await soundBegun();
    if (this.player.mixer) return;
    this.player.mixer = this.#makeMixer();
    this.player.mixer.context.suspend();
  }

  // ... and the recording that the page carries is read.
  async readAhead() {
    await this.makeDevice();
    if (this.data.inside) this.#readRecording();
  }

  #readRecording() {
    const { context } = this.player.mixer;
    const { cut, room } = this.data;
    const pieces = () =>
      room ? roomPieces(cut) : insidePieces([...document.querySelectorAll(".recording")]);
    this.recording ??= soundOf(context, pieces(), cut)
      .then((buffer) => this.useTrack(buffer, 0))
      .catch(() => this.#failed(UNREADABLE));
    return this.recording;
  }

  #failed(words) {
    this.waiting = null;
    this.tell("trouble", words);
  }

  async readyMixer() {
    // Making it takes longer than a frame may.
    if (!this.player.mixer) await painted();
    if (!this.player.mixer) await soundBegun();
    this.player.mixer ??= this.#makeMixer();
    // A browser without a sound device may wait for ever.
    const late = setTimeout(() => this.#failed(NO_DEVICE), DEVICE_MS);
    await this.player.mixer.context.resume();
    clearTimeout(late);
    return this.player.mixer;
  }

  async play(options = {}) {
    if (!(await this.#ready())) return;
    const startBar = this.loop ? this.loop.first : this.selected;
    await this.player.start(this.reading, this.track, {
      startBar,
      loop: this.loop,
      speed: this.speed,
      ramp: this.ramp,
      clicks: this.clicks,
      countInBars: this.countInBars,
      guide: "plan",
      ...options,
    });
    this.#playing(`Playing from ${barName(this.reading, options.startBar ?? startBar)}`);
  }

  // Device and recording are there; false where the start was taken back, or another one came, while it waited for them.
  async #ready() {
    const start = Symbol("start");
    this.waiting = start;
    // Said before anything is waited for: a press is answered in the next frame.
    const unread = !this.track && this.data.inside;
    this.tell("starting", unread);
    const mixer = await this.readyMixer();
    if (unread) {
      await painted();
      await this.#readRecording();
    }
    if (this.waiting !== start) return false;
    this.waiting = null;
    mixer.set(this.#gains());
    return true;
  }

  // delay: how much later (seconds) the decoded recording runs than the one that was analysed.
  useTrack(buffer, delay) {
    const hits = this.reading.guides.flatMap((guide) => guide.hits.time.filter((_, k) => guide.hits.on[k]));
    this.track = { buffer, delay, anchors: [...hits, ...this.reading.time].sort((a, b) => a - b) };
  }

  // A pad starts what stands still and counts as a tap in a drill; while it plays, it is only played on.
  padStruck(timeStamp) {
    this.tell("pad", timeStamp);
    if (this.training) this.tap(timeStamp);
    else if (!this.player.playing) this.play();
  }

  #playing(words) {
    this.tell("playing");
    keepAwake(true);
    this.say(words);
    cancelAnimationFrame(this.frame);
    const step = () => {
      if (!this.player.playing) return;
      this.#follow();
      this.frame = requestAnimationFrame(step);
    };
    step();
  }

  #stopped() {
    keepAwake(false);
    this.player.mixer?.closeBlend();
    this.player.mixer?.set(this.#gains());
    this.tell("stopped");
    if (this.training) this.endTraining(this.training);
  }

  // Change what plays without stopping it.
  again() {
    if (!this.player.playing || this.training) return;
    this.player.change(this.reading, this.track, {
      loop: this.loop,
      speed: this.speed,
      ramp: this.ramp,
      clicks: this.clicks,
      guide: "plan",
    });
  }

  #follow() {
    const { scheduler } = this.player;
    const heard = this.player.heardAt();
    const lead = scheduler.leadAt(heard);
    if (lead !== null) {
      this.tell("lead", lead);
      return;
    }
    const song = scheduler.songAt(heard);
    const at = song === null ? null : positionAt(this.reading, song);
    if (at) this.tell("moved", { song, at, speed: scheduler.speedAt(heard) });
  }

  barNow() {
    const song = this.player.scheduler?.songAt(this.player.heardAt()) ?? null;
    return song === null ? null : (positionAt(this.reading, song)?.bar ?? null);
  }

  // Mono samples of a run as the page would play it; without a track unless one is given.
  render(options, seconds, track = null, levels = { track: 1, click: 0.5, guide: 0, master: 1 }) {
    const makeMixer = (context) => {
      const mixer = new Mixer(context);
      mixer.setAtOnce(levels);
      return mixer;
    };
    return renderRun(makeMixer, this.reading, track, options, seconds);
  }

  // ---- where, and what of the song

  select(bar) {
    this.selected = bar;
    this.tell("place", bar);
  }

  // To a bar: while it plays, at once.
  goTo(bar) {
    this.select(bar);
    if (!this.player.playing || this.training) return;
    if (this.loop && (bar < this.loop.first || bar > this.loop.last)) this.setLoop(null);
    this.play({ startBar: bar, countInBars: 0 });
  }

  playFrom(bar) {
    this.select(bar);
    const inside = this.loop && bar >= this.loop.first && bar <= this.loop.last;
    this.play({ startBar: bar, loop: inside ? this.loop : null });
  }

  setLoop(loop) {
    if (!loop && !this.loop) return;
    this.loop = loop;
    if (loop) this.selected = loop.first;
    this.tell("loop", loop);
    if (loop) this.say(`Loop ${barsText(this.reading, loop.first, loop.last)}`);
    if (!this.player.playing || this.training) return;
    const song = this.player.scheduler.songAt(this.player.mixer.context.currentTime);
    const { bars } = this.reading;
    const inside = loop && song !== null && song >= bars[loop.first].start && song < bars[loop.last].end;
    if (!loop || inside) this.again();
    else this.play({ startBar: loop.first, countInBars: 0 });
  }

  setClicks(change) {
    this.clicks = { ...this.clicks, ...change };
    this.tell("clicks");
    this.again();
  }

  setSpeed(speed) {
    this.speed = speed;
    this.tell("speed");
    this.again();
  }

  // ramp: { step, to } changes the speed each time round a loop, null leaves it.
  setRamp(ramp) {
    this.ramp = ramp;
    this.tell("speed");
    this.again();
  }

  setClickSound(sound) {
    this.clickSound = sound;
    this.player.mixer?.setSound(sound);
  }

  // Read the song with these corrections instead.
  recorrect(corrections) {
    const song = this.reading.bars[this.selected].start;
    this.player.stop();
    this.corrections = corrections;
    this.reading = corrected(this.data, corrections);
    this.selected = positionAt(this.reading, song + 0.01)?.bar ?? 0;
    this.loop = null;
    this.tell("reading");
  }

  // ---- drills

  // Is there a riddle that must not give itself away?
  get secret() {
    return Boolean(this.training?.riddle);
  }

  async train(trainer, ...options) {
    if (this.training) this.endTraining(this.training);
    this.player.stop();
    this.training = trainer;
    this.tell("training", true);
    await trainer.start(...options);
  }

  endTraining(trainer) {
    if (this.training !== trainer) return;
    this.training = null;
    this.tell("training", false);
    this.stop();
    trainer.end();
  }

  // A tap, at a time stamp of the page's clock.
  tap(timeStamp) {
    if (!this.training || !this.player.mixer) return;
    this.tell("tap");
    const at = this.player.contextTimeAt(timeStamp);
    this.training.tap(this.training.takesDelay ? at - this.tapDelay : at);
  }

  // The song time of a tap. The first beat may be tapped a little early, while the count-in still runs.
  songAtTap(contextTime) {
    const { scheduler } = this.player;
    if (!scheduler) return null;
    const early = scheduler.musicAt - contextTime;
    if (early > 0 && early < EARLIEST_TAP_S) return scheduler.run.begin - early * scheduler.run.speed;
    return scheduler.songAt(contextTime);
  }

  async playRiddle(options) {
    if (!(await this.#ready())) return;
    this.player.mixer.track.gain.cancelScheduledValues(0);
    this.player.mixer.set({ guide: MOST_GUIDE_BOOST });
    await this.player.start(this.reading, this.track, options);
    this.#playing("Riddle");
  }

  async reveal(startBar, endBar) {
    const gains = this.#gains();
    this.player.mixer.closeBlend();
    this.player.mixer.set({ ...gains, track: Math.max(LEAST_REVEAL_LEVEL, gains.track) });
    const options = { startBar, endBar, clicks: clickSet("beats"), guide: "plan" };
    await this.player.start(this.reading, this.track, options);
    this.#playing("The answer");
  }

  async playExercise(options) {
    if (!(await this.#ready())) return;
    const firstOne = Math.max(
      0,
      this.reading.bars.findIndex((bar) => bar.firstCount === 1),
    );
    const startBar = this.loop ? this.loop.first : firstOne;
    const chosen = { startBar, loop: this.loop, speed: this.speed, guide: "plan", ...options };
    await this.player.start(this.reading, this.track, chosen);
    this.#playing("Hold it");
  }
}

// After the next paint; in a hidden page, which paints nothing, a moment later.
export function painted() {
  return new Promise((resolve) => {
    requestAnimationFrame(() => setTimeout(resolve, 0));
    setTimeout(resolve, PAINT_MS);
  });
}
