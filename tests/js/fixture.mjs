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
      end: 0.5 + n * step,
      unit: 4,
      inThrees: false,
    },
    grid: [{ first: 0, last: bars, slots: 4, swing: 1, positions: [0, 0.25, 0.5, 0.75] }],
    tempo: { bpm },
    guides: [
      {
        name: "tick",
        patternBars: 1,
        places: [place("2&", 1.5), place("4&", 3.5)],
        hits: { time: hits, on: hits.map(() => 1) },
        coverage: [[1, bars]],
        centreHz: 8000,
        decayMs: 50,
      },
    ],
    plan: [-1, ...Array(bars).fill(0)],
  };
}
