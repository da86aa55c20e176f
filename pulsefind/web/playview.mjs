// The view for playing along: click set, gaps, loop, speed, levels.

import { PRESETS } from "./clickset.mjs";
import { tappablePlaces } from "./reading.mjs";
import { el } from "./drawing.mjs";

export function drawPresets(box, chosen, choose) {
  box.replaceChildren(...PRESETS.map(({ key, name }) => radio("preset", key, name, key === chosen, () => choose(key))));
}

export function radio(group, key, name, checked, choose, extra = null) {
  const input = el("input", { type: "radio", name: group, id: `${group}-${key}`, value: key, checked, on: { change: choose } });
  return el("label", { class: "option", for: `${group}-${key}` }, input, el("span", {}, extra, name));
}

// One button a count; those in the set are pressed.
export function drawPlaces(box, reading, set, toggle) {
  const pressed = new Set(set.kind === "places" ? set.places : []);
  const groups = new Map();
  for (const place of reading.bars.length ? tappablePlaces(reading) : []) {
    const count = parseInt(place.label, 10);
    const text = place.label === String(count) ? place.label : place.label.slice(String(count).length);
    const button = el(
      "button",
      { type: "button", class: text === place.label ? "place on-beat" : "place", "aria-pressed": pressed.has(place.label), "aria-label": place.label, "data-place": place.label, on: { click: () => toggle(place.label) } },
      text,
    );
    if (!groups.has(count)) groups.set(count, el("div", { class: "place-group" }));
    groups.get(count).append(button);
  }
  box.replaceChildren(...groups.values());
}

export function countOf(input, least, most) {
  const value = Math.round(Number(input.value));
  return Number.isFinite(value) ? Math.min(most, Math.max(least, value)) : least;
}
