// What this browser remembers. A browser that keeps nothing (private mode, a blocked store) only forgets.

const PREFIX = "pulsefind.";

export function kept(key, otherwise) {
  try {
    const text = localStorage.getItem(PREFIX + key);
    return text === null ? otherwise : JSON.parse(text);
  } catch {
    return otherwise;
  }
}

export function keep(key, value) {
  try {
    localStorage.setItem(PREFIX + key, JSON.stringify(value));
  } catch {
    // Nothing to do: the page works without.
  }
}
