// Playing: one timeline from song time to the clock of the sound card, and everything scheduled on it ahead of time.
//
// A run is a chain of segments, each a stretch of the song at a speed: [count-in and] the part from the start on, and
// for a loop one segment a pass. The same scheduling fills an OfflineAudioContext at once.

import { clicksBetween, countIn, guideHitsBetween } from "./clickset.mjs";
import { lastAtOrBefore, positionAt } from "./reading.mjs";
import { bufferOf } from "./sound.mjs";
import { Stretcher } from "./stretch.mjs";

const CHUNK_S = 0.25;
const AHEAD_S = 0.4;
const AHEAD_HIDDEN_S = 2.0;
const SEAM_S = 0.004;
const BLEND_BASS = 0.8;
const BLEND_BAND = 0.5;
const BLEND_S = 1.5;

// What a run plays: from startTime (or startBar) on, at a speed, after a count-in, to endBar or round a loop of bars
// { first, last }, where ramp { step, to } changes the speed each time round; clicks (a click set), guide ("plan", an index, or null) and guideMarks (a mark on each of its hits
// where there is no recording to bring it forward from); overlay { buffer, songStart } is heard beside the track, at speed 1; blend { bass, band }: times at
// which these come in, silent before.
export function runOf(reading, options) {
  const { startTime = null, startBar = 0, loop = null, speed = 1, countInBars = 0, endBar = null } = options;
  const begin = startTime ?? reading.bars[startBar].start;
  const last = loop ? loop.last : (endBar ?? reading.bars.length - 1);
  return {
    guide: null,
    guideMarks: false,
    clicks: null,
    ramp: null,
    overlay: null,
    blend: null,
    ...options,
    begin,
    startBar,
    end: reading.bars[last].end,
    loop: loop ? { start: reading.bars[loop.first].start, end: reading.bars[loop.last].end, ...loop } : null,
    speed,
    lead: countInBars > 0 ? countIn(reading, startBar, countInBars) : [],
  };
}

// The speed of the next time round: a step towards the goal, never past it.
export function rampedSpeed(speed, { step, to }) {
  const next = Math.round(1000 * (speed + Math.sign(to - speed) * step)) / 1000;
  return to >= speed ? Math.min(to, next) : Math.max(to, next);
}

// Schedules one run on one context. `sources` remembers what may still sound.
export class Scheduler {
  constructor(mixer, reading, track, run, startAt) {
    this.mixer = mixer;
    this.context = mixer.context;
    this.reading = reading;
    this.track = track;
    this.run = run;
    this.segments = [];
    this.sources = new Set();
    const rate = this.context.sampleRate;
    const lead = run.lead.length ? -run.lead[0].time / run.speed : 0;
    this.startAt = Math.ceil(startAt * rate) / rate;
    this.musicAt = Math.ceil((startAt + lead) * rate) / rate;
    for (const click of run.lead) this.#click(click.accent, this.musicAt + click.time / run.speed);
    this.#addSegment(run.begin, run.loop ? run.loop.end : run.end, this.musicAt, 0, run.startBar);
    mixer.fadeIn(this.startAt);
  }

  // Segments begin and end on samples; where they should is kept too, so that rounding doesn't add up round by round.
  #addSegment(from, to, exactAt, barsBefore, startBar, speed = this.run.speed) {
    const rate = this.context.sampleRate;
    const exactUntil = exactAt + (to - from) / speed;
    const [at, until] = [exactAt, exactUntil].map((t) => Math.round(t * rate) / rate);
    const segment = { from, to, at, until, exactUntil, speed, barsBefore, startBar, done: from, chunk: 0 };
    segment.gain = this.context.createGain();
    segment.gain.connect(this.mixer.track);
    this.segments.push(segment);
    if (this.run.blend) this.#blend(segment);
    this.#guidePath(segment);
  }

  // The bass, then the whole band, come in by degrees at times of the song.
  #blend(segment) {
    segment.gain.connect(this.mixer.bassIn);
    for (const [name, level] of [
      ["bass", BLEND_BASS],
      ["band", BLEND_BAND],
    ]) {
      const { gain } = name === "bass" ? this.mixer.bass : this.mixer.track;
      const at = Math.max(this.context.currentTime, this.timeOf(segment, this.run.blend[name]));
      gain.cancelScheduledValues(0);
      gain.setValueAtTime(0, this.context.currentTime);
      gain.setValueAtTime(0, at);
      gain.linearRampToValueAtTime(level, at + BLEND_S);
    }
  }

  // The guide brought forward: the recording through a band around the guide's sound, opened only at its hits.
  #guidePath(segment) {
    if (!this.track || this.run.guide === null) return;
    segment.band = this.context.createBiquadFilter();
    segment.band.type = "bandpass";
    segment.band.Q.value = 1;
    segment.gate = this.context.createGain();
    segment.gate.gain.value = 0;
    segment.band.connect(segment.gate).connect(this.mixer.guide);
  }

  // Schedule everything up to a time of the context. Returns false when the run is over by then.
  pump(until) {
    for (;;) {
      const segment = this.segments.at(-1);
      this.#fill(segment, until);
      if (segment.until > until) return true;
      if (!this.run.loop) return false;
      this.#nextPass(segment);
    }
  }

  #nextPass(segment) {
    const { loop, ramp } = this.run;
    const bars = segment.barsBefore + (loop.last - segment.startBar + 1);
    const speed = ramp ? rampedSpeed(segment.speed, ramp) : segment.speed;
    this.#addSegment(loop.start, loop.end, segment.exactUntil, bars, loop.first, speed);
    // Older passes are never asked for again: a loop may run for hours.
    if (this.segments.length > 8) this.segments.shift();
  }

  #fill(segment, until) {
    const songUntil = Math.min(segment.to, segment.from + (until - segment.at) * segment.speed);
    if (songUntil > segment.done) {
      this.#fillClicks(segment, segment.done, songUntil);
      this.#fillGuide(segment, segment.done, songUntil);
      segment.done = songUntil;
    }
    if (this.run.overlay && !segment.overlaid) this.#fillOverlay(segment);
    if (this.track && segment.speed === 1) this.#fillPlain(segment);
    if (this.track && segment.speed !== 1) this.#fillStretched(segment, until);
  }

  timeOf(segment, songTime) {
    return segment.at + (songTime - segment.from) / segment.speed;
  }

  #fillClicks(segment, from, to) {
    const { clicks } = this.run;
    if (!clicks) return;
    for (const click of clicksBetween(this.reading, clicks, from, to, segment.startBar, segment.barsBefore)) {
      this.#click(click.accent, this.timeOf(segment, click.time));
    }
  }

  #click(kind, at) {
    this.#remember(this.mixer.playClick(kind, at));
  }

  #fillGuide(segment, from, to) {
    if (this.run.guide === null) return;
    for (const hit of guideHitsBetween(this.reading, this.run.guide, from, to)) {
      const at = this.timeOf(segment, hit.time);
      if (segment.gate) this.#openGate(segment, this.reading.guides[hit.guide], at);
      else if (this.run.guideMarks) this.#click("mark", at);
    }
  }

  #openGate({ band, gate }, guide, at) {
    const { gain } = gate;
    const before = Math.max(0, at - 0.006);
    band.frequency.setValueAtTime(Math.min(guide.centreHz, 0.45 * this.context.sampleRate), before);
    gain.setValueAtTime(0, before);
    gain.linearRampToValueAtTime(1, Math.max(0, at - 0.001));
    gain.setValueAtTime(1, at + 0.02);
    gain.setTargetAtTime(0, at + 0.02 + Math.min(0.2, guide.decayMs / 1000) / 2, 0.02);
  }

  #fillPlain(segment) {
    if (segment.chunk) return;
    segment.chunk = 1;
    const shift = this.track.delay;
    const source = this.#source(segment, this.track.buffer);
    const from = segment.from + shift;
    // Before the recording's first sample there is nothing to play.
    source.start(segment.at + Math.max(0, -from), Math.max(0, from), segment.to - segment.from);
    this.#seam(segment);
  }

  #fillOverlay(segment) {
    const { buffer, songStart } = this.run.overlay;
    segment.overlaid = true;
    const from = segment.from - songStart;
    if (from >= buffer.duration) return;
    const source = this.#source(segment, buffer, false);
    source.start(segment.at + Math.max(0, -from), Math.max(0, from));
  }

  #fillStretched(segment, until) {
    const rate = this.context.sampleRate;
    const size = Math.round(CHUNK_S * rate);
    const total = Math.round((segment.until - segment.at) * rate);
    segment.stretcher ??= this.#stretcher(segment);
    if (!segment.chunk) this.#seam(segment);
    while (segment.chunk * size < total && segment.at + (segment.chunk * size) / rate < until) {
      const n = Math.min(size, total - segment.chunk * size);
      const source = this.#source(segment, bufferOf(this.context, segment.stretcher.take(n)));
      source.start(segment.at + (segment.chunk * size) / rate);
      segment.chunk += 1;
    }
  }

  #stretcher(segment) {
    const { buffer, delay } = this.track;
    const channels = Array.from({ length: buffer.numberOfChannels }, (_, c) => buffer.getChannelData(c));
    const anchors = this.track.anchors.map((t) => t + delay);
    return new Stretcher(channels, buffer.sampleRate, anchors, segment.from + delay, segment.speed);
  }

  #source(segment, buffer, ofTrack = true) {
    const source = this.context.createBufferSource();
    source.buffer = buffer;
    source.connect(segment.gain);
    if (segment.band && ofTrack) source.connect(segment.band);
    this.#remember(source);
    return source;
  }

  // A short fade at both ends of a segment, so that a loop's seam does not crack.
  #seam(segment) {
    const { gain } = segment.gain;
    gain.setValueAtTime(0, segment.at);
    gain.linearRampToValueAtTime(1, segment.at + SEAM_S);
    gain.setValueAtTime(1, Math.max(segment.at + SEAM_S, segment.until - SEAM_S));
    gain.linearRampToValueAtTime(0, segment.until);
  }

  #remember(source) {
    this.sources.add(source);
    source.onended = () => {
      this.sources.delete(source);
      source.disconnect();
    };
  }

  // Song time and bars played at a time of the context; null before the music (see leadAt) and after the end.
  songAt(contextTime) {
    const segment = this.segments.findLast((candidate) => candidate.at <= contextTime);
    if (!segment || contextTime >= segment.until + 1e-6) return null;
    return segment.from + (contextTime - segment.at) * segment.speed;
  }

  // The speed at which it plays at a time of the context.
  speedAt(contextTime) {
    return (this.segments.findLast((candidate) => candidate.at <= contextTime) ?? this.segments[0]).speed;
  }

  // The count of the count-in that sounds at a time of the context, or null.
  leadAt(contextTime) {
    if (contextTime >= this.musicAt || !this.run.lead.length) return null;
    const times = this.run.lead.map((click) => this.musicAt + click.time / this.run.speed);
    const k = lastAtOrBefore(times, contextTime);
    return k >= 0 ? this.run.lead[k].label : "";
  }

  // The time of the context at which a song time last sounded, or sounds.
  contextTimeOf(songTime, near) {
    let best = null;
    for (const segment of this.segments) {
      if (songTime < segment.from || songTime >= segment.to) continue;
      const at = this.timeOf(segment, songTime);
      if (best === null || Math.abs(at - near) < Math.abs(best - near)) best = at;
    }
    return best;
  }

  stop() {
    const now = this.context.currentTime;
    const { gain } = this.mixer.run;
    gain.cancelScheduledValues(now);
    gain.setTargetAtTime(0, now, 0.004);
    for (const source of this.sources) source.stop(now + 0.03);
  }
}

// Plays runs in real time and tells listeners about start, stop and position.
export class Player {
  constructor(makeMixer) {
    this.makeMixer = makeMixer;
    this.mixer = null;
    this.scheduler = null;
    this.timer = null;
    this.onStop = () => {};
  }

  get playing() {
    return this.scheduler !== null;
  }

  async start(reading, track, options) {
    this.stop(false);
    this.mixer ??= this.makeMixer();
    await this.mixer.context.resume();
    const startAt = this.mixer.context.currentTime + 0.12;
    this.scheduler = new Scheduler(this.mixer, reading, track, runOf(reading, options), startAt);
    this.#tick();
    this.timer = setInterval(() => this.#tick(), 50);
  }

  #tick() {
    const { currentTime } = this.mixer.context;
    const goesOn = this.scheduler.pump(currentTime + (document.hidden ? AHEAD_HIDDEN_S : AHEAD_S));
    if (!goesOn && currentTime >= this.scheduler.segments.at(-1).until) this.stop();
  }

  stop(tell = true) {
    if (!this.scheduler) return;
    clearInterval(this.timer);
    this.scheduler.stop();
    this.scheduler = null;
    if (tell) this.onStop();
  }

  // Change click set, speed or loop while playing: go on from where it is.
  async change(reading, track, options) {
    const now = this.mixer.context.currentTime;
    const song = this.scheduler.songAt(now) ?? this.scheduler.run.begin;
    const at = positionAt(reading, song);
    await this.start(reading, track, {
      ...options,
      startTime: song,
      startBar: at ? at.bar : 0,
      countInBars: 0,
    });
  }

  // What is heard right now: the clock less what is still on its way to the ear.
  heardAt() {
    const { context } = this.mixer;
    return context.currentTime - (context.outputLatency || 0);
  }

  // The time of the context that was heard at a moment of the page's clock (an event's timeStamp).
  contextTimeAt(timeStamp) {
    const { context } = this.mixer;
    const stamp = context.getOutputTimestamp?.();
    if (stamp && stamp.performanceTime > 0)
      return stamp.contextTime + (timeStamp - stamp.performanceTime) / 1000;
    return this.heardAt() - (performance.now() - timeStamp) / 1000;
  }
}

// The page's own scheduling rendered without a sound card: mono samples of `seconds` from the start of a run.
export async function renderRun(makeMixer, reading, track, options, seconds, rate = 44100) {
  const context = new OfflineAudioContext(1, Math.ceil(seconds * rate), rate);
  const mixer = makeMixer(context);
  const scheduler = new Scheduler(mixer, reading, track, runOf(reading, options), 0);
  scheduler.pump(seconds);
  const buffer = await context.startRendering();
  return { samples: buffer.getChannelData(0), rate, musicAt: scheduler.musicAt };
}
