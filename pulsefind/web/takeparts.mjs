// What a review says beside the bars: places, stretches alone, corrections, takes so far, and what next.

import { el, svg } from "./drawing.mjs";

const FEWEST_HITS = 4;

// "9 ms early", or "9 ms earlier than usual": how far from the player's usual where an overall early or late can't be told.
export function leanText(ms, known) {
  const size = Math.abs(ms).toFixed(0);
  if (size === "0") return known ? "on the beat" : "as usual";
  if (known) return `${size} ms ${ms < 0 ? "early" : "late"}`;
  return `${size} ms ${ms < 0 ? "earlier" : "later"} than usual`;
}

// The same under a column's head that says against what.
export function leanCell(ms, known) {
  return leanText(ms, known).replace(/ than usual$/, "");
}

export function capital(text) {
  return `${text[0].toUpperCase()}${text.slice(1)}`;
}

export function sentence(text) {
  return `${capital(text)}${/[.!?]$/.test(text) ? "" : "."}`;
}

// ---- place by place

export function placeCards(take) {
  const shown = take.places.filter((place) => place.n >= FEWEST_HITS);
  const rarer = take.places.length - shown.length;
  return [
    ...shown.map((place) => placeCard(place, take)),
    rarer ? el("p", { class: "rarer" }, `And ${rarer} with fewer than ${FEWEST_HITS} hits.`) : null,
  ].filter(Boolean);
}

function placeCard(place, take) {
  const width = 190;
  const height = 92;
  const edges = take.histogram_edges_ms;
  const most = Math.max(1, ...place.histogram);
  const step = (width - 16) / place.histogram.length;
  const columns = place.histogram.map((n, k) =>
    svg("rect", {
      class: "column",
      x: 8 + k * step + 0.5,
      y: 70 - (n / most) * 62,
      width: step - 1,
      height: (n / most) * 62,
    }),
  );
  const zero = 8 + ((0 - edges[0]) / (edges.at(-1) - edges[0])) * (width - 16);
  const scale = [edges[0], 0, edges.at(-1)].map((ms, k) =>
    svg(
      "text",
      { class: "axis", x: [4, zero, width - 4][k], y: 87, "text-anchor": ["start", "middle", "end"][k] },
      [`${-ms} early`, "0", `${ms} late`][k],
    ),
  );
  return el(
    "div",
    { class: "lens" },
    el("h3", {}, capital(`${place.kind} on ${place.place}`)),
    svg(
      "svg",
      { width, height, viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" },
      ...columns,
      svg("line", { class: "zero", x1: zero, x2: zero, y1: 4, y2: 74 }),
      ...scale,
    ),
    el(
      "p",
      {},
      `${leanText(place.offset_ms, take.offset_known)}, give or take ${place.spread_ms.toFixed(0)} ms; ${place.n} hits in ${place.bars} bars`,
    ),
  );
}

// ---- alone, and back

export function numbersText({ first_bar: first, last_bar: last }) {
  // Numbers count from the first full bar; what stands before it is the pickup.
  if (first === 0) return last ? `up to bar ${last}` : "the pickup";
  return first === last ? `bar ${first}` : `bars ${first} to ${last}`;
}

export function aloneItems(take) {
  if (!take.drifts.length)
    return [el("li", {}, "There was no stretch alone of two bars or more in what you played.")];
  return take.drifts.map((drift) =>
    el("li", {}, el("b", {}, capital(numbersText(drift))), `: ${driftWords(drift)}`),
  );
}

export function driftWords(drift) {
  const held = Math.abs(drift.ms_per_bar) < 2 * drift.error_ms;
  const way = drift.ms_per_bar < 0 ? "faster" : "slower";
  const moved = held
    ? "held within what can be measured"
    : `${Math.abs(drift.ms_per_bar).toFixed(0)} ms a bar ${way}`;
  const end = `${Math.abs(drift.end_offset_ms).toFixed(0)} ms ${drift.end_offset_ms < 0 ? "ahead" : "behind"} at its end`;
  const back =
    drift.back_after_bars === null
      ? "not back by the end of the take"
      : `back after ${drift.back_after_bars} ${drift.back_after_bars === 1 ? "bar" : "bars"}`;
  return `${drift.player_bpm.toFixed(1)} bpm on the track's ${drift.track_bpm.toFixed(1)}, ${moved}; ${end}, ${back}.`;
}

export function correctionItems(take, width) {
  if (!take.corrections.length) return [el("p", {}, "Nothing had to be taken back.")];
  return take.corrections.map((found) =>
    el(
      "div",
      { class: "correction" },
      el(
        "p",
        {},
        el("b", {}, `From ${numbersText({ first_bar: found.first_bar, last_bar: found.first_bar })}`),
        `, ${correctionWords(found)}`,
      ),
      stretchedBar(found.notes, Math.min(820, Math.max(280, width))),
    ),
  );
}

export function correctionWords(found) {
  const share = found.spread_share;
  const how = share >= 0.75 ? "evenly" : share < 0.25 ? "in one jump" : "over part of the notes";
  const cause = found.cause === "alone" ? "after the stretch alone" : "after a slip";
  return `${cause}: ${Math.abs(found.size_ms).toFixed(0)} ms were taken back in ${found.bars} ${found.bars === 1 ? "bar" : "bars"}, ${how} (evenness ${share.toFixed(2)}, 1 is perfectly even). There the spaces were played ${Math.abs(100 * found.stretch - 100).toFixed(0)} % ${found.stretch > 1 ? "wider" : "narrower"} than written.`;
}

// The spaces between the notes as written, as played, and as an even correction has them, one row under the other.
function stretchedBar(notes, width) {
  if (notes.length < 2) return null;
  const rows = [
    ["written", notes.map((note) => note.nominal_ms)],
    ["played", notes.map((note) => note.played_ms)],
    ["even", notes.map((note) => note.even_ms)],
  ];
  const left = 62;
  const longest = Math.max(...rows.map(([, spaces]) => spaces.reduce((a, b) => a + b, 0)));
  const scale = (width - left - 4) / longest;
  const drawn = rows.flatMap(([name, spaces], row) => {
    let at = left;
    const y = 18 + row * 34;
    const parts = [svg("text", { class: "axis", x: left - 8, y: y + 19, "text-anchor": "end" }, name)];
    spaces.forEach((ms, k) => {
      const room = ms * scale;
      const change = Math.round(ms - notes[k].nominal_ms);
      parts.push(
        svg("rect", {
          class: row === 1 && Math.abs(change) >= 1 ? "space changed" : "space",
          x: at,
          y,
          width: Math.max(1, room - 1),
          height: 28,
        }),
      );
      if (row && room > 30)
        parts.push(
          svg(
            "text",
            { class: "space-word", x: at + room / 2, y: y + 19, "text-anchor": "middle" },
            change > 0 ? `+${change}` : change < 0 ? `\u2212${-change}` : "0",
          ),
        );
      if (!row && room > 22) parts.push(svg("text", { class: "axis", x: at, y: 12 }, notes[k].place));
      at += room;
    });
    return parts;
  });
  const said = notes.map(
    (note) =>
      `${note.place}: ${note.nominal_ms.toFixed(0)} written, ${note.played_ms.toFixed(0)} played, ${note.even_ms.toFixed(0)} if even`,
  );
  return svg(
    "svg",
    {
      width,
      height: 122,
      viewBox: `0 0 ${width} 122`,
      role: "img",
      "aria-label": `Spaces in ms, from each place to the next. ${said.join("; ")}.`,
    },
    ...drawn,
  );
}

// ---- takes so far, and what next

export function drawHistory(box, history) {
  if (history.length < 2) {
    box.replaceChildren(
      el(
        "p",
        {},
        "One take only. Reviews made with ",
        el("code", {}, "--history FILE"),
        " show here how your takes come along.",
      ),
    );
    return;
  }
  const most = Math.max(...history.map((entry) => entry.spread_ms));
  box.replaceChildren(
    el("p", {}, "Spread of the hits, in ms: the less, the tighter."),
    el(
      "ol",
      { class: "takes" },
      ...history.map((entry) => {
        const alone =
          entry.worst_alone_ms === null
            ? ""
            : `; alone up to ${Math.abs(entry.worst_alone_ms).toFixed(0)} ms ${entry.worst_alone_ms < 0 ? "ahead" : "behind"}`;
        const bar = svg(
          "svg",
          { class: "take-bar", "aria-hidden": "true", preserveAspectRatio: "none", viewBox: "0 0 100 10" },
          svg("rect", {
            class: "column",
            x: 0,
            y: 0,
            width: Math.max(1, (100 * entry.spread_ms) / most),
            height: 10,
          }),
        );
        return el(
          "li",
          {},
          el("span", { dir: "auto" }, `${entry.reviewed_at.slice(0, 10)} ${entry.recording}`),
          bar,
          el("span", {}, `${entry.spread_ms.toFixed(1)} ms${alone}`),
        );
      }),
    ),
  );
}

// practise(change): plays the song with this change of what clicks.
export function nextItems(take, practise) {
  if (!take.practice) return [];
  const { what, why, command } = take.practice;
  const change = clicksOf(command);
  const here = { click: () => practise(change) };
  return [
    el("p", {}, sentence(`${what}; ${why}`)),
    change ? el("p", {}, el("button", { type: "button", on: here }, "Practise it here")) : null,
    el("pre", { tabindex: 0, "aria-label": "The command that makes this exercise" }, command),
  ].filter((item) => item !== null);
}

// What the exercise's command lets click, as a change of the page's own click set; null where the page has no such thing.
export function clicksOf(command) {
  const bars = /--clickless (\d+):(\d+)/.exec(command);
  if (bars) return { on: "beats", gapOn: Number(bars[1]), gapOff: Number(bars[2]) };
  const place = /--on "([^"]+)"/.exec(command);
  return place ? { on: "places", places: [place[1]] } : null;
}
