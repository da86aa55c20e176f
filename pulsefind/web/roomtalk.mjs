// Requests to the room's own server, which also tell it that this window is open. The address holds the token.

const NEWS_MS = 800;
// A request without an answer by then is repeated; the machine may be busy.
const SLOW_MS = 10000;
// This often everything is requested, whatever this window believes it has.
const WHOLE_MS = 30000;
const GIVEN_UP = 4;

export class Talk {
  // root: the path from this page to the room's address. heard(state): called with the full state after each change.
  // closed(): called when the room has stopped answering.
  constructor(root, heard, closed) {
    this.root = root;
    this.heard = heard;
    this.closed = closed;
    this.version = "";
    this.missed = 0;
    this.isOver = false;
    this.window = crypto.randomUUID();
    this.state = null;
    this.wholeAt = 0;
    window.addEventListener("pagehide", () => this.#leave());
    window.addEventListener("pageshow", () => this.#askAgain());
    document.addEventListener("visibilitychange", () => this.#askAgain());
    this.timer = setTimeout(() => this.#news(), NEWS_MS);
  }

  // Takes a full state, from the page itself or from an answer. It counts as seen only once it is shown.
  take(state) {
    this.state = state;
    this.heard(state);
    this.version = state.version;
    this.wholeAt = performance.now();
  }

  // Stops asking; the room is closing.
  end() {
    this.isOver = true;
    clearTimeout(this.timer);
  }

  #leave() {
    if (this.isOver) return;
    navigator.sendBeacon(`${this.root}leave?window=${this.window}`);
  }

  #askAgain() {
    clearTimeout(this.timer);
    this.#news();
  }

  // Asks for news right away, after an action.
  soon() {
    this.#askAgain();
  }

  async #news() {
    clearTimeout(this.timer);
    if (this.isOver) return;
    try {
      const state = await this.#ask();
      if (state && !this.isOver) this.take(state);
    } finally {
      // Whatever went wrong, ask again.
      if (this.missed >= GIVEN_UP) {
        this.end();
        this.closed();
      } else if (!this.isOver) {
        clearTimeout(this.timer);
        this.timer = setTimeout(() => this.#news(), NEWS_MS);
      }
    }
  }

  // The news, or null if there is none.
  async #ask() {
    const since = performance.now() - this.wholeAt < WHOLE_MS ? this.version : "";
    try {
      const answer = await fetch(`${this.root}news?window=${this.window}&since=${since}`, {
        signal: AbortSignal.timeout(SLOW_MS),
      });
      // 403: another run, with another token, has this port.
      this.missed = answer.status === 403 ? this.missed + 1 : 0;
      return answer.status === 200 ? await answer.json() : null;
    } catch (error) {
      // A slow room is still open.
      if (error.name !== "TimeoutError") this.missed += 1;
      return null;
    }
  }

  // Sends an action. Returns the answer, or throws an Error with the room's one line.
  async post(path, words = {}) {
    const answer = await fetch(this.root + path, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(words),
    });
    return answered(answer.ok, answer.status, await answer.text());
  }

  // Uploads a file; progress(share) reports how much was sent. done resolves to the answer, or rejects as above.
  put(path, file, progress = () => {}) {
    const most = this.state?.most_bytes ?? Infinity;
    if (file.size > most) return { done: Promise.reject(new Error(tooLarge(file.size, most))), stop() {} };
    const sending = new XMLHttpRequest();
    const done = new Promise((resolve, reject) => {
      sending.upload.addEventListener("progress", ({ loaded, total }) =>
        progress(total ? loaded / total : 0),
      );
      sending.addEventListener("load", () => {
        const { status, responseText } = sending;
        try {
          resolve(answered(status >= 200 && status < 300, status, responseText));
        } catch (error) {
          reject(error);
        }
      });
      const broken = () => reject(new Error("it didn't come through; try again"));
      sending.addEventListener("error", broken);
      sending.addEventListener("abort", () => reject(new Error("left out")));
    });
    sending.open("PUT", this.root + path);
    sending.send(file);
    return { done, stop: () => sending.abort() };
  }
}

function answered(ok, status, text) {
  if (!ok) throw new Error(text.trim() || `the room answered ${status}`);
  return text ? JSON.parse(text) : null;
}

// The line for a file that the room would refuse, so that it needn't be sent.
function tooLarge(size, most) {
  const gigabytes = (bytes) => (bytes / 2 ** 30).toFixed(1).replace(".0", "");
  return `has ${gigabytes(size)} GB, and ${gigabytes(most)} GB is the most: cut it into parts first`;
}

// "about 40 s", "about 3 min": no more precise than it deserves.
export function aboutTime(seconds) {
  if (seconds < 8) return "a few seconds";
  if (seconds < 55) return `about ${5 * Math.round(seconds / 5)} s`;
  if (seconds < 90) return "about a minute";
  return `about ${Math.round(seconds / 60)} min`;
}
