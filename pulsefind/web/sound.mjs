// Sounds and signal paths: clicks, the limiter, the recording out of the page or out of a file, and its alignment.

const CLICK_S = 0.04;
const ATTACK_S = 0.0005;
const LEVELS = { one: 1, beat: 0.8, between: 0.8, mark: 0.6 };

// Sounds to choose from. hz: the pitch of each kind of click; overtone: a second partial, as wood has; hiss: the share
// of noise, as a stick has; decay_s: how fast it fades.
export const CLICK_SOUNDS = {
  tone: {
    words: "tone",
    hz: { one: 1760, beat: 1175, between: 880, mark: 2640 },
    overtone: 0,
    hiss: 0,
    decayS: 0.009,
  },
  wood: {
    words: "wood",
    hz: { one: 1240, beat: 930, between: 740, mark: 1700 },
    overtone: 2.71,
    hiss: 0,
    decayS: 0.007,
  },
  stick: {
    words: "stick",
    hz: { one: 2600, beat: 2000, between: 1600, mark: 3200 },
    overtone: 0,
    hiss: 0.6,
    decayS: 0.005,
  },
  low: {
    words: "low",
    hz: { one: 660, beat: 440, between: 330, mark: 880 },
    overtone: 2,
    hiss: 0,
    decayS: 0.014,
  },
};

export const START_LEVEL = 0.3;
export const LIMIT = 0.89;
const KNEE = 0.6;
const BASS_HZ = 180;
const FADE_IN_S = 1.0;
const SOUND_MS = 300;

// One click: a decaying sound, limited in band by its soft start; every sound has the energy of the plain tone.
export function clickSamples(kind, rate, sound = "tone") {
  const plain = shaped(kind, rate, CLICK_SOUNDS.tone);
  const chosen = sound === "tone" ? plain : shaped(kind, rate, CLICK_SOUNDS[sound]);
  const gain = Math.min(LEVELS[kind] * Math.sqrt(energy(plain) / energy(chosen)), 1 / peak(chosen));
  return chosen.map((x) => gain * x);
}

function shaped(kind, rate, { hz, overtone, hiss, decayS }) {
  let state = 1;
  return Float32Array.from({ length: Math.round(CLICK_S * rate) }, (_, k) => {
    const t = k / rate;
    const rise = Math.min(1, t / ATTACK_S);
    const release = Math.min(1, (CLICK_S - t) / 0.005);
    // Noise that is the same each time (a linear congruential generator; Numerical Recipes' constants).
    state = (state * 1664525 + 1013904223) % 4294967296;
    const noise = state / 2147483648 - 1;
    const body =
      Math.cos(2 * Math.PI * hz[kind] * t) +
      (overtone ? 0.5 * Math.cos(2 * Math.PI * hz[kind] * overtone * t) : 0);
    return rise * release * Math.exp(-t / decayS) * ((1 - hiss) * body + hiss * noise);
  });
}

function energy(samples) {
  return samples.reduce((sum, x) => sum + x * x, 1e-12);
}

function peak(samples) {
  return samples.reduce((most, x) => Math.max(most, Math.abs(x)), 1e-12);
}

// The limiter: straight up to the knee, then bent so that it never passes the limit. It looks at one sample at a time,
// so it delays nothing (a compressor's look-ahead would).
export function limited(x) {
  const size = Math.abs(x);
  if (size <= KNEE) return x;
  const room = LIMIT - KNEE;
  // Starts with the slope of the straight part and flattens towards the limit.
  return Math.sign(x) * (KNEE + room * Math.tanh((size - KNEE) / room));
}

// WaveShaper inputs beyond 1 are cut to its ends: scaling down before and up after widens its reach to 4.
const REACH = 4;

// Mixer: track, guide and click each with a level; master, limiter, output. Levels fade in during the first second.
export class Mixer {
  constructor(context) {
    this.context = context;
    this.track = context.createGain();
    this.guide = context.createGain();
    this.click = context.createGain();
    this.master = context.createGain();
    this.run = context.createGain();
    const before = context.createGain();
    const shaper = context.createWaveShaper();
    before.gain.value = 1 / REACH;
    shaper.curve = Float32Array.from({ length: 8193 }, (_, k) => limited(REACH * ((2 * k) / 8192 - 1)));
    // The bass of the track by itself, closed unless a riddle opens it.
    this.bass = context.createGain();
    this.bass.gain.value = 0;
    const low = context.createBiquadFilter();
    low.type = "lowpass";
    low.frequency.value = BASS_HZ;
    this.bassIn = low;
    low.connect(this.bass);
    for (const bus of [this.track, this.bass, this.guide, this.click]) bus.connect(this.run);
    this.run.connect(this.master).connect(before).connect(shaper).connect(context.destination);
    this.setSound("tone");
  }

  setSound(sound) {
    this.clicks = {};
    for (const kind of Object.keys(LEVELS))
      this.clicks[kind] = bufferOf(this.context, [clickSamples(kind, this.context.sampleRate, sound)]);
  }

  set(levels) {
    for (const name of ["track", "guide", "click", "master"]) {
      if (name in levels) this[name].gain.setTargetAtTime(levels[name], this.context.currentTime, 0.01);
    }
  }

  // After a riddle: what its blending has scheduled is off.
  closeBlend() {
    const now = this.context.currentTime;
    for (const { gain } of [this.bass, this.track]) gain.cancelScheduledValues(now);
    this.bass.gain.setTargetAtTime(0, now, 0.01);
  }

  setAtOnce(levels) {
    for (const [name, level] of Object.entries(levels)) this[name].gain.value = level;
  }

  fadeIn(at) {
    const gain = this.run.gain;
    gain.cancelScheduledValues(0);
    gain.setValueAtTime(0.25, at);
    gain.linearRampToValueAtTime(1, at + FADE_IN_S);
  }

  playClick(kind, at) {
    const source = this.context.createBufferSource();
    source.buffer = this.clicks[kind];
    source.connect(this.click);
    source.start(at);
    return source;
  }
}

export function bufferOf(context, channels) {
  const buffer = context.createBuffer(channels.length, Math.max(1, channels[0].length), context.sampleRate);
  channels.forEach((samples, c) => buffer.copyToChannel(samples, c));
  return buffer;
}

// A device waits for the browser's sound to begin, and blocks the page for that long. Asked which devices there are, the
// browser begins it beside the page (what it answers is not looked at); one that takes its time is not waited for.
export async function soundBegun() {
  const begun = navigator.mediaDevices?.enumerateDevices().catch(() => null);
  await Promise.race([begun, new Promise((resolve) => setTimeout(resolve, SOUND_MS))]);
}

// The pieces of the recording that the page carries, as functions that give the bytes of one; what is given is gone.
export function insidePieces(elements) {
  return elements.map((element) => () => {
    const { buffer } = bytesOfBase64(element.textContent);
    element.remove();
    return buffer;
  });
}

// The recording, decoded piece by piece: no task is long, and what is read is held once. cut: its rate, and in frames its
// length, that of a piece, and the margin of its neighbours' sound that each piece has.
export async function soundOf(context, pieces, { rate, frames, piece, margin }) {
  const here = (n) => Math.round((n * context.sampleRate) / rate);
  let whole = null;
  for (const [k, bytes] of pieces.entries()) {
    const part = await context.decodeAudioData(await bytes());
    whole ??= context.createBuffer(part.numberOfChannels, here(frames), context.sampleRate);
    const first = k ? here(margin) : 0;
    for (let c = 0; c < whole.numberOfChannels; c += 1) {
      const samples = part.getChannelData(c).subarray(first, first + here(piece));
      whole.copyToChannel(samples, c, k * here(piece));
    }
  }
  return whole;
}

export function bytesOfBase64(text) {
  // Browsers since 2025 decode by themselves, some ten times faster.
  if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let k = 0; k < raw.length; k += 1) bytes[k] = raw.charCodeAt(k);
  return bytes;
}

// How much later (in seconds) a decoded recording runs than the one that was analysed, found by sliding the excerpt
// that the page carries over it; null when it is nowhere alike, so it is another recording. A codec's delay shows here.
export function delayAgainst(excerpt, mono, rate) {
  const reach = Math.round(0.3 * excerpt.rate);
  const first = Math.round(excerpt.at * excerpt.rate);
  const wanted = excerpt.samples;
  const here = Float32Array.from({ length: wanted.length + 2 * reach }, (_, k) =>
    averaged(mono, ((first - reach + k) * rate) / excerpt.rate, rate / excerpt.rate),
  );
  const value = Float64Array.from({ length: 2 * reach + 1 }, (_, lag) => correlation(wanted, here, lag));
  let best = 0;
  value.forEach((v, lag) => {
    if (v > value[best]) best = lag;
  });
  if (value[best] < 0.6) return null;
  return (best - reach + peakOffset(value, best)) / excerpt.rate;
}

// The mean of a recording over `width` samples centred at a place: a crude low-pass, the same that made the excerpt.
function averaged(mono, centre, width) {
  const from = Math.round(centre - width / 2);
  const to = Math.round(centre + width / 2);
  let sum = 0;
  for (let k = Math.max(0, from); k < Math.min(mono.length, to); k += 1) sum += mono[k];
  return sum / Math.max(1, to - from);
}

function correlation(wanted, here, lag) {
  let dot = 0;
  let a = 1e-12;
  let b = 1e-12;
  for (let k = 0; k < wanted.length; k += 1) {
    dot += wanted[k] * here[k + lag];
    a += wanted[k] * wanted[k];
    b += here[k + lag] * here[k + lag];
  }
  return dot / Math.sqrt(a * b);
}

// Top of the parabola through a peak and its neighbours, in steps from the peak.
function peakOffset(value, k) {
  if (k <= 0 || k >= value.length - 1) return 0;
  const bend = value[k - 1] - 2 * value[k] + value[k + 1];
  return bend === 0 ? 0 : (0.5 * (value[k - 1] - value[k + 1])) / bend;
}
