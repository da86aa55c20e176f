// Pads and kits over MIDI: every note that is struck, as a time stamp of the page's clock.

// Listen to all inputs, those plugged in later too. Returns words that say how it went.
export async function listenToPads(struck) {
  if (!navigator.requestMIDIAccess) return "This browser knows no MIDI. Keys and touch work.";
  try {
    const access = await navigator.requestMIDIAccess();
    const listen = () => {
      for (const input of access.inputs.values()) input.onmidimessage = (event) => heardPad(event, struck);
    };
    access.onstatechange = listen;
    listen();
    return `${access.inputs.size} MIDI inputs: their notes count as taps.`;
  } catch {
    return "MIDI was not allowed. Keys and touch work.";
  }
}

// A note on with a velocity; releases, controllers and clocks are no strokes (MIDI 1.0).
export function heardPad({ data, timeStamp }, struck) {
  const [status, , velocity] = data;
  if ((status & 0xf0) === 0x90 && velocity > 0) struck(timeStamp);
}
