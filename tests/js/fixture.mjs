// A small song with a known truth: 100 bpm, 4/4, a pickup of one beat, straight 16ths, guide on 2& and 4&.

export function songData(bars = 8, bpm = 100) {
  const step = 60 / bpm;
  const n = 1 + 4 * bars;
  const time = Array.from({ length: n }, (_, k) => 0.5 + k * step);
  const count = time.map((_, k) => ((k + 3) % 4) + 1);
  const first = [0, ...Array.from({ length: bars }, (_, k) => 1 + 4 * k)];
  const hits = [];
  for (let bar = 0; bar < bars; bar += 1)
    hits.push(time[1 + 4 * bar] + 1.5 * step, time[1 + 4 * bar] + 3.5 * step);
  const place = (label, pos) => ({ label, bar: 1, pos, rate: 1, offset: 0, spread: 0 });
  return {
    track: { name: "song.wav", duration: 60, sha256: "0".repeat(64) },
    beats: { time, count },
    bars: {
      first,
      beats: [1, ...Array(bars).fill(4)],
      full: Array(bars + 1).fill(4),
      number: first.map((_, k) => k),
      meter: first.map(() => "4/4"),
      end: 0.5 + n * step,
      unit: 4,
      inThrees: false,
    },
    grid: [{ first: 0, last: bars, slots: 4, swing: 1, positions: [0, 0.25, 0.5, 0.75] }],
    tempo: { bpm },
    guides: [
      {
        patternBars: 1,
        places: [place("2&", 1.5), place("4&", 3.5)],
        hits: { time: hits, on: hits.map(() => 1) },
        coverage: [[1, bars]],
        centreHz: 8000,
        decayMs: 50,
      },
    ],
    plan: [-1, ...Array(bars).fill(0)],
    known: {},
    sections: [],
    words: words(bars, step),
  };
}

// What Python hands over for it, written out by hand: straight 16ths, and how beats are counted that are cut anew.
function words(bars, step) {
  const syllables = {
    1: [""],
    2: ["", "&"],
    3: ["", "trip", "let"],
    4: ["", "e", "&", "a"],
    6: ["", "ta", "trip", "&", "let", "da"],
  };
  const straight = { "": 0, e: 0.25, "&": 0.5, a: 0.75, ta: 1 / 6, trip: 1 / 3, let: 2 / 3, da: 5 / 6 };
  const counts = ["1", "2", "3", "4"];
  const preset = (on, places, every = 1) => ({ on, words: on, every, places: places && { 4: places } });
  return {
    guides: [
      {
        called: "tick",
        like: "tick",
        mark: { shape: "stroke", height: 0.8 },
        falls: "2& and 4&",
        reliable: "in every bar",
        tells: "where the 1 is",
        findsOne: true,
        mishear: [],
      },
    ],
    plan: [
      { first: 0, last: 0, kind: "alone", guide: -1 },
      { first: 1, last: bars, kind: "guide", guide: 0 },
    ],
    doubts: [],
    sure: { one: "sure", octave: "sure", meter: "sure" },
    feel: { bpm: 60 / step, notes: "straight 16ths", styles: [], tempo: "holds" },
    countIn: { words: "1 2 3 4, 1 2 3, in on 4", beat: Array(bars + 1).fill(step) },
    counting: {
      syllables,
      within: [straight],
      even: { 1: straight, 2: straight, 3: straight, 4: straight, 6: straight },
    },
    clicks: {
      presets: [
        preset("none", []),
        preset("beats", counts),
        preset("1", ["1"]),
        preset("1 every 2", ["1"], 2),
        preset("1 every 4", ["1"], 4),
        preset("backbeat", ["2", "4"]),
        preset(
          "&",
          counts.map((count) => `${count}&`),
        ),
        preset("guide", null),
      ],
      fading: ["beats", "1", "1 every 2", "1 every 4", "none"],
    },
    placeStands: 0.6,
  };
}
