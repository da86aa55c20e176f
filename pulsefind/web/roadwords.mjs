// A bar in words, and what the signs of the road mean.

import { barName, called, el, shortTime } from "./drawing.mjs";
import { guidePlacesIn, inDoubt } from "./reading.mjs";

export function barWords(reading, k) {
  const guide = reading.plan[k];
  const name = `${barName(reading, k)}${inDoubt(reading, k) ? " (its 1 is in doubt)" : ""}`;
  if (guide < 0) return `${name}: ${reading.kinds[k] === "band" ? "follow the band's pulse" : "alone"}`;
  const places = guidePlacesIn(reading, guide, k).map((place) => place.label);
  const at = places.length ? `on ${places.join(", ")}` : "which rests in this bar";
  return `${name}: follow the ${called(reading, guide)} ${at}`;
}

// The road's key: what its surfaces and signs mean.
export function drawKey(box, reading, data) {
  const items = [];
  if (reading.kinds.includes("alone")) items.push(el("span", {}, el("i", { class: "key-alone" }), "alone"));
  if (reading.doubts.some((doubt) => !doubt.whole))
    items.push(el("span", {}, el("i", { class: "key-doubt" }), "the 1 is in doubt"));
  items.push(el("span", {}, el("i", { class: "key-tempo" }), `tempo ${data.words.feel.tempo}`));
  items.push(el("span", {}, shortTime(reading.end - reading.bars[0].start)));
  box.replaceChildren(...items);
}
