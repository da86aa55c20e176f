// Where the road's bars lie on the screen: rows of bars, as wide as their time. No drawing here.

// A window lower than this is a telephone held across (the styles have the same height).
export const SHORT_PX = 480;

const LEAST_ROAD_BAR_PX = 5;
const TALL_PX = 640;

// How the road is laid out in a box: { rows: [{ first, last, from, to }], width }. A row holds whole bars.
export function roadLayout(reading, width, windowHeight) {
  const { bars } = reading;
  const most = windowHeight < TALL_PX ? 1 : 3;
  const n = Math.min(most, Math.max(1, Math.ceil((bars.length * LEAST_ROAD_BAR_PX) / width)));
  const rows = [];
  let first = 0;
  for (let k = 0; k < n && first < bars.length; k += 1) {
    const last = k === n - 1 ? bars.length - 1 : lastOfRow(reading, first, (k + 1) / n);
    rows.push({ first, last, from: bars[first].start, to: bars[last].end });
    first = last + 1;
  }
  // All rows run at the pace of the longest one.
  const longest = Math.max(...rows.map((row) => row.to - row.from));
  return { rows, width, pace: width / longest };
}

// The bar with which a row ends so that rows last about equally long.
function lastOfRow({ bars, end }, first, share) {
  const until = bars[0].start + share * (end - bars[0].start);
  let last = first;
  while (last + 1 < bars.length && (bars[last].end + bars[last + 1].end) / 2 < until) last += 1;
  return last;
}

export function xOf(layout, row, t) {
  return (t - row.from) * layout.pace;
}

// The bar at a place of the box: row by y, bar by x; beyond the ends the nearest.
export function barAtPlace(layout, reading, rowIndex, x) {
  const row = layout.rows[Math.max(0, Math.min(layout.rows.length - 1, rowIndex))];
  const t = row.from + x / layout.pace;
  for (let k = row.first; k < row.last; k += 1) if (t < reading.bars[k].end) return k;
  return row.last;
}

export function rowOf(layout, bar) {
  return layout.rows.findIndex((row) => row.first <= bar && bar <= row.last);
}

// How often bars are numbered so that numbers don't touch: every 4th, 8th, 16th ...
export function numberStep(layout, reading) {
  const barPx = layout.pace * ((reading.end - reading.bars[0].start) / reading.bars.length);
  return [1, 2, 4, 8, 16, 32, 64, 128].find((step) => step * barPx > 30) ?? 256;
}
