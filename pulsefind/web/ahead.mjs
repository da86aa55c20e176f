// What a first press on Start would wait for, begun at the first sign of a hand, after the frame that answers it: the sound
// device is made, and the recording is read.

import { painted } from "./app.mjs";

export function beginAhead(app) {
  firstOf(["pointermove", "pointerdown", "keydown"], () => app.makeDevice());
  // A finger that only scrolls is lifted without a word, and reads nothing: the recording takes memory.
  firstOf(["pointermove", "pointerup", "keydown"], () => app.readAhead());
}

function firstOf(names, begin) {
  const heard = new AbortController();
  const hear = async (event) => {
    if (event.type === "pointermove" && event.pointerType === "touch") return;
    heard.abort();
    await painted();
    begin();
  };
  for (const name of names)
    document.addEventListener(name, hear, { capture: true, passive: true, signal: heard.signal });
}
