// Early and late over the song as one ribbon: a stroke up is early, down is late; the band is what hardly anybody hears.

import { el, svg } from "./drawing.mjs";

const HEIGHT_PX = 150;
const LEFT_PX = 46;
const LEAST_MS = 30;
const MOST_MS = 120;

// marks: [{ time, offset_ms }] with times of the song; hatched: [{ from, to }] stretches alone.
export function ribbon(marks, { from, to, width, bandMs = 10, hatched = [], said }) {
  const reach = Math.min(MOST_MS, Math.max(LEAST_MS, ...marks.map((mark) => Math.abs(mark.offset_ms))));
  const x = (t) => LEFT_PX + ((t - from) / Math.max(1e-6, to - from)) * (width - LEFT_PX - 6);
  const y = (ms) => HEIGHT_PX / 2 + (Math.max(-reach, Math.min(reach, ms)) / reach) * (HEIGHT_PX / 2 - 10);
  const stroke = (mark) => `M${x(mark.time).toFixed(1)} ${y(0)}V${y(mark.offset_ms).toFixed(1)}`;
  const early = marks.filter((mark) => mark.offset_ms < 0).map(stroke);
  const late = marks.filter((mark) => mark.offset_ms >= 0).map(stroke);
  const rests = hatched.map((part) =>
    svg("rect", {
      class: "hatch",
      x: x(part.from),
      y: 6,
      width: x(part.to) - x(part.from),
      height: HEIGHT_PX - 12,
    }),
  );
  const axis = [
    [-reach, `${reach.toFixed(0)} early`],
    [0, "0"],
    [reach, `${reach.toFixed(0)} late`],
  ].map(([ms, text]) =>
    svg(
      "text",
      { class: "axis", x: 2, y: y(ms) + (ms < 0 ? 10 : ms > 0 ? 0 : 4) },
      text.split(" ")[ms ? 1 : 0],
    ),
  );
  return svg(
    "svg",
    {
      class: "ribbon",
      width,
      height: HEIGHT_PX,
      viewBox: `0 0 ${width} ${HEIGHT_PX}`,
      role: "img",
      "aria-label": said,
    },
    svg("rect", {
      class: "unheard",
      x: LEFT_PX,
      y: y(-bandMs),
      width: width - LEFT_PX,
      height: y(bandMs) - y(-bandMs),
    }),
    ...rests,
    svg("path", { class: "ribbon-early", d: early.join("") }),
    svg("path", { class: "ribbon-late", d: late.join("") }),
    svg("path", { class: "zero", d: `M${LEFT_PX} ${y(0)}H${width}` }),
    ...axis,
  );
}

// Words under a ribbon: what its reach is.
export function ribbonWords(marks) {
  const reach = Math.min(MOST_MS, Math.max(LEAST_MS, ...marks.map((mark) => Math.abs(mark.offset_ms))));
  return el("p", { class: "hint" }, `Up is early, down is late; the edges are ${reach.toFixed(0)} ms.`);
}
