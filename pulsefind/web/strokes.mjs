// Strokes in a recording from a microphone: where a hit starts, to about a millisecond.
//
// Energy is followed in steps of a millisecond; a stroke is where it rises far above what sounded in the 50 ms before and
// above the room. Its start is then the first sample that stands out of what was there just before.

const STEP_S = 0.001;
const BEFORE_S = 0.05;
const LEAST_GAP_S = 0.055;
const RISE = 6;
const ROOM = 8;
const LEAST_SHARE = 0.02;
const LOOK_BACK_S = 0.012;

// Start times in seconds from the first sample, in order. Empty for silence.
export function strokesIn(samples, rate) {
  const step = Math.max(1, Math.round(STEP_S * rate));
  const energy = energies(samples, step);
  const loudest = energy.reduce((most, e) => Math.max(most, e), 0);
  if (!loudest) return [];
  const least = Math.max(LEAST_SHARE ** 2 * loudest, ROOM * middling(energy));
  const before = Math.round(BEFORE_S / STEP_S);
  const found = [];
  let sum = 0;
  for (let k = 0; k < energy.length; k += 1) {
    const background = sum / before;
    const isRise = energy[k] > least && energy[k] > RISE * background;
    const start = isRise ? startNear(samples, rate, k * step, step) : null;
    if (isRise && (!found.length || start - found.at(-1) > LEAST_GAP_S)) found.push(start);
    sum += energy[k] - (k >= before ? energy[k - before] : 0);
  }
  return found;
}

function energies(samples, step) {
  const n = Math.floor(samples.length / step);
  return Float64Array.from({ length: n }, (_, k) => {
    let sum = 0;
    // The difference of neighbours: strokes are bright, hum and rumble are not.
    for (let i = Math.max(1, k * step); i < (k + 1) * step; i += 1) sum += (samples[i] - samples[i - 1]) ** 2;
    return sum / step;
  });
}

function middling(values) {
  return Float64Array.from(values).sort()[values.length >> 1] ?? 0;
}

// The first sample that is beyond a tenth of the peak of what follows and beyond twice what was there before.
function startNear(samples, rate, at, step) {
  const back = Math.round(LOOK_BACK_S * rate);
  const from = Math.max(0, at - back);
  const to = Math.min(samples.length, at + 3 * step);
  const peak = peakOf(samples, at, to);
  const room = peakOf(samples, Math.max(0, from - back), from);
  const limit = Math.max(0.1 * peak, Math.min(0.5 * peak, 2 * room));
  for (let k = from; k < to; k += 1) if (Math.abs(samples[k]) >= limit) return k / rate;
  return at / rate;
}

function peakOf(samples, from, to) {
  let most = 0;
  for (let k = from; k < to; k += 1) most = Math.max(most, Math.abs(samples[k]));
  return most;
}

// The delay of a chain from strokes that should have come at known times: the median of what they come later, in
// seconds, and how many were heard; null when fewer than four were.
export function chainDelay(strokes, clicks, most = 0.6) {
  const late = clicks
    .map((click) => strokes.find((t) => t >= click - 0.005 && t < click + most))
    .map((t, k) => (t === undefined ? null : t - clicks[k]))
    .filter((x) => x !== null)
    .sort((a, b) => a - b);
  return late.length < 4 ? null : { delay: late[late.length >> 1], n: late.length };
}
