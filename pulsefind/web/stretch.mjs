// Slower and faster with kept pitch: waveform similarity overlap-add (Verhelst and Roelands, ICASSP 1993).
//
// Two additions keep a drummer's places sharp. Known hits are anchors: around each the recording runs at its own speed,
// so that an attack is neither smeared nor doubled, and lands where its stretched time says. And the search for a
// similar waveform is switched off there.

import { lastAtOrBefore } from "./reading.mjs";

const HOP_S = 0.012;
const SEARCH_S = 0.009;
const COARSE = 4;
const BEFORE_HIT_S = 0.026;
const AFTER_HIT_S = 0.02;

// From stretched time to time in the recording (both from `from`): slope `speed`, but slope 1 around each hit.
export class TimeMap {
  constructor(hits, from, speed) {
    this.from = from;
    this.speed = speed;
    this.out = [];
    this.song = [];
    this.pinned = [];
    let lastEnd = -Infinity;
    for (const hit of hits) {
      const at = (hit - from) / speed;
      // Too close to the hit before: the pieces in between would have to run backwards or be skipped.
      if (at - BEFORE_HIT_S < 0 || at - BEFORE_HIT_S < lastEnd || hit - BEFORE_HIT_S < this.#songEnd())
        continue;
      this.out.push(at - BEFORE_HIT_S, at + AFTER_HIT_S);
      this.song.push(hit - BEFORE_HIT_S, hit + AFTER_HIT_S);
      lastEnd = at + AFTER_HIT_S;
    }
  }

  #songEnd() {
    return this.song.length ? this.song.at(-1) : -Infinity;
  }

  // { time, pinned } in the recording for a stretched time.
  at(out) {
    const k = lastAtOrBefore(this.out, out);
    const x0 = k >= 0 ? this.out[k] : 0;
    const y0 = k >= 0 ? this.song[k] : this.from;
    if (k % 2 === 0 && k >= 0) return { time: y0 + (out - x0), pinned: true };
    if (k + 1 >= this.out.length) return { time: y0 + (out - x0) * this.speed, pinned: false };
    const slope = (this.song[k + 1] - y0) / Math.max(1e-9, this.out[k + 1] - x0);
    return { time: y0 + (out - x0) * slope, pinned: false };
  }
}

// Streams stretched sound. channels: Float32Arrays of the recording; hits: sorted anchor times in seconds.
export class Stretcher {
  constructor(channels, rate, hits, from, speed) {
    this.channels = channels;
    this.rate = rate;
    this.map = new TimeMap(
      hits.filter((t) => t >= from),
      from,
      speed,
    );
    this.hop = Math.round(HOP_S * rate);
    this.window = Float32Array.from(
      { length: 2 * this.hop },
      (_, k) => 0.5 - 0.5 * Math.cos((Math.PI * k) / this.hop),
    );
    this.search = Math.round(SEARCH_S * rate);
    this.tail = channels.map(() => new Float32Array(this.hop));
    this.frame = 0;
    this.last = null;
    this.ready = channels.map(() => new Float32Array(0));
    this.#prime();
  }

  // The next n samples, as one Float32Array a channel.
  take(n) {
    const out = this.channels.map(() => new Float32Array(n));
    let done = 0;
    while (done < n) {
      if (!this.ready[0].length) this.#step();
      const size = Math.min(n - done, this.ready[0].length);
      this.ready.forEach((part, c) => {
        out[c].set(part.subarray(0, size), done);
        this.ready[c] = part.subarray(size);
      });
      done += size;
    }
    return out;
  }

  // The first frame starts half a window early, so that sound is there from the first sample on.
  #prime() {
    const start = Math.round(this.map.from * this.rate) - this.hop;
    this.channels.forEach((channel, c) => {
      for (let k = 0; k < this.hop; k += 1)
        this.tail[c][k] = this.window[this.hop + k] * sample(channel, start + this.hop + k);
    });
    this.last = start;
  }

  // One frame: overlap-add at the place in the recording that continues the last frame best.
  #step() {
    const { time, pinned } = this.map.at((this.frame * this.hop) / this.rate);
    const ideal = Math.round(time * this.rate);
    const natural = this.last + this.hop;
    const start = pinned || Math.abs(natural - ideal) <= 1 ? ideal : this.#similar(natural, ideal);
    this.ready = this.channels.map((channel, c) => {
      const part = new Float32Array(this.hop);
      for (let k = 0; k < this.hop; k += 1)
        part[k] = this.tail[c][k] + this.window[k] * sample(channel, start + k);
      for (let k = 0; k < this.hop; k += 1)
        this.tail[c][k] = this.window[this.hop + k] * sample(channel, start + this.hop + k);
      return part;
    });
    this.last = start;
    this.frame += 1;
  }

  // Where near `ideal` the recording looks most like its own continuation at `natural`: coarse first, then fine.
  #similar(natural, ideal) {
    const coarse = this.#best(natural, ideal, this.search, COARSE);
    return this.#best(natural, coarse, COARSE, 1);
  }

  #best(natural, centre, reach, step) {
    let best = centre;
    let bestValue = -Infinity;
    for (let start = centre - reach; start <= centre + reach; start += step) {
      const value = this.#likeness(natural, start, step);
      if (value > bestValue) {
        bestValue = value;
        best = start;
      }
    }
    return best;
  }

  // Normalised correlation of two stretches of one hop, over every channel.
  #likeness(a, b, step) {
    let dot = 0;
    let energy = 1e-9;
    for (const channel of this.channels) {
      for (let k = 0; k < this.hop; k += step) {
        const y = sample(channel, b + k);
        dot += sample(channel, a + k) * y;
        energy += y * y;
      }
    }
    return dot / Math.sqrt(energy);
  }
}

function sample(channel, index) {
  return index >= 0 && index < channel.length ? channel[index] : 0;
}
