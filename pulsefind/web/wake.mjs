// The screen stays on while the song plays, where the browser can do that (Screen Wake Lock, W3C).

let lock = null;
let wanted = false;

export async function keepAwake(on) {
  wanted = on;
  if (!on) {
    const held = lock;
    lock = null;
    await held?.release();
    return;
  }
  if (lock || !navigator.wakeLock) return;
  try {
    const held = await navigator.wakeLock.request("screen");
    if (wanted) lock = held;
    else await held.release();
  } catch {
    // A low battery or a hidden page: the screen may go dark, the sound goes on.
  }
}
