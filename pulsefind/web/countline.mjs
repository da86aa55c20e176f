// A bar's counts as a line: a notch for each place of its grid, and above it a mark where the guide sounds.

import { colourOf, mark, svg } from "./drawing.mjs";
import { parseLabel, placesOfBar } from "./reading.mjs";

const PAD = 20;
const LINE_Y = 46;
const COUNT_Y = 76;
const LINE_HEIGHT = 84;
const WRONG_HEIGHT = 132;

// places: the guide's in this bar. heardFirst: with a misreading laid over, the number that its first hit is taken for.
export function countLine(bar, places, guide, index, { width, heardFirst = null, title = "" }) {
  const x = (beats) => Number((PAD + (beats / bar.full) * (width - 2 * PAD)).toFixed(1));
  const slotPx = (width - 2 * PAD) / (bar.full * bar.section.slots);
  const struck = new Set(places.map((place) => place.label));
  const parts = [svg("path", { class: "ground", d: `M${x(0) - 8} ${LINE_Y}H${width - 6}` })];
  for (const place of placesOfBar(bar)) parts.push(...notch(place, x(place.pos), struck.has(place.label)));
  places.forEach((place, k) => {
    const size = Math.min(2, Math.max(0.8, slotPx / 9));
    const lamp = svg("g", {
      class: "lamp",
      "data-place": place.label,
      transform: `translate(${x(place.pos)} 20)`,
    });
    lamp.append(mark(guide, index, size));
    parts.push(stem(x(place.pos), index), lamp);
    if (heardFirst !== null) parts.push(...wrongCount(x(place.pos), heardFirst + k + 1));
  });
  if (heardFirst !== null) parts.push(svg("text", { class: "wrong-word", x: 4, y: 128 }, "misheard as"));
  if (title) parts.push(svg("text", { class: "axis", x: width - 6, y: 12, "text-anchor": "end" }, title));
  const height = heardFirst === null ? LINE_HEIGHT : WRONG_HEIGHT;
  const box = { width, height, viewBox: `0 0 ${width} ${height}` };
  return svg("svg", { ...box, class: "count-line", "aria-hidden": "true" }, ...parts);
}

// Counts are always written, what lies between them only where the guide sounds.
function notch(place, x, struck) {
  const { count, syllable } = parseLabel(place.label);
  const onBeat = syllable === "";
  const kind = onBeat ? (count === 1 ? "line-count one" : "line-count") : "syllable";
  const tall = onBeat ? (count === 1 ? 13 : 9) : 4;
  const first = onBeat && count === 1;
  return [
    svg("path", { class: first ? "notch first" : "notch", d: `M${x} ${LINE_Y}v${tall}` }),
    onBeat || struck
      ? svg(
          "text",
          { class: struck ? `${kind} struck` : kind, x, y: COUNT_Y, "text-anchor": "middle" },
          onBeat ? String(count) : syllable,
        )
      : null,
  ];
}

function stem(x, index) {
  return svg("path", { class: "stem", d: `M${x} 30V${LINE_Y}`, style: { "--mark": colourOf(index) } });
}

// A wrong count stands in a dashed box under the hit that is taken for it.
function wrongCount(x, number) {
  return [
    svg("path", { class: "wrong-line", d: `M${x} ${COUNT_Y + 6}V${COUNT_Y + 14}` }),
    svg("rect", { class: "wrong-box", x: x - 12, y: COUNT_Y + 14, width: 24, height: 24 }),
    svg("text", { class: "wrong-count", x, y: COUNT_Y + 32, "text-anchor": "middle" }, String(number)),
  ];
}
