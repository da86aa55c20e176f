// A bar in words, and what the signs of the road mean.

import { barName, called, el, shortTime } from "./drawing.mjs";
import { guidePlacesIn, inDoubt, sectionNamed } from "./reading.mjs";

export function barWords(reading, k) {
  const section = sectionNamed(reading, k);
  const where = `${barName(reading, k)}${section && `, ${section}`}`;
  return `${where}${inDoubt(reading, k) ? " (its 1 is in doubt)" : ""}: ${followWords(reading, k)}`;
}

// What to follow in a bar, and where it falls.
export function followWords(reading, k) {
  const guide = reading.plan[k];
  if (guide < 0) return reading.kinds[k] === "band" ? "follow the band's pulse" : "alone";
  const places = guidePlacesIn(reading, guide, k).map((place) => place.label);
  const at = places.length ? `on ${places.join(", ")}` : "which rests in this bar";
  return `follow the ${called(reading, guide)} ${at}`;
}

// The road's key: what its surfaces and signs mean.
export function drawKey(box, reading, data) {
  const items = [];
  if (reading.kinds.includes("alone")) items.push(el("span", {}, el("i", { class: "key-alone" }), "alone"));
  if (reading.doubts.some((doubt) => !doubt.whole))
    items.push(el("span", {}, el("i", { class: "key-doubt" }), "the 1 is in doubt"));
  items.push(el("span", {}, el("i", { class: "key-tempo" }), `tempo ${data.words.feel.tempo}`));
  const length = shortTime(reading.end - reading.bars[0].start);
  items.push(el("span", { class: "key-length" }, `${length} long`));
  box.replaceChildren(...items);
}
