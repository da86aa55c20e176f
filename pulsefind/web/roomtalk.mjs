// Talking to the room's own server: questions, news, and that this window is there. The address holds the token.

const NEWS_MS = 800;
// A question that was not answered by then is asked again; the machine may be busy.
const SLOW_MS = 10000;
// Every so often everything is asked for, whatever this window believes to have.
const WHOLE_MS = 30000;
const GIVEN_UP = 4;

export class Talk {
  // root: the way from this page to the room's address. heard(state): called with all that there is, when there is news.
  // closed(): called once the room doesn't answer any more.
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

  // All that there is, as it came with the page or with an answer. It counts as known once it is shown.
  take(state) {
    this.state = state;
    this.heard(state);
    this.version = state.version;
    this.wholeAt = performance.now();
  }

  // The room ends: it isn't asked any more.
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

  // Something was done: what came of it is asked for at once.
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
      // Whatever went wrong, it is asked again.
      if (this.missed >= GIVEN_UP) {
        this.end();
        this.closed();
      } else if (!this.isOver) {
        clearTimeout(this.timer);
        this.timer = setTimeout(() => this.#news(), NEWS_MS);
      }
    }
  }

  // The news, or null where there are none.
  async #ask() {
    const since = performance.now() - this.wholeAt < WHOLE_MS ? this.version : "";
    try {
      const answer = await fetch(`${this.root}news?window=${this.window}&since=${since}`, {
        signal: AbortSignal.timeout(SLOW_MS),
      });
      // Another run has another token.
      this.missed = answer.status === 403 ? this.missed + 1 : 0;
      return answer.status === 200 ? await answer.json() : null;
    } catch (error) {
      // A room that is only slow is still there.
      if (error.name !== "TimeoutError") this.missed += 1;
      return null;
    }
  }

  // Do something; gives the answer, or throws an Error with the one line that the room says.
  async post(path, words = {}) {
    const answer = await fetch(this.root + path, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(words),
    });
    return answered(answer.ok, answer.status, await answer.text());
  }

  // Send a file; progress(share) tells how much of it has gone. Gives the answer, or throws as above.
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

// A file that would be refused isn't sent at all.
function tooLarge(size, most) {
  const gigabytes = (bytes) => (bytes / 2 ** 30).toFixed(1).replace(".0", "");
  return `has ${gigabytes(size)} GB, and ${gigabytes(most)} GB is the most: cut it into parts first`;
}

// "about 40 s", "about 3 min": no finer than it is known.
export function aboutTime(seconds) {
  if (seconds < 8) return "a few seconds";
  if (seconds < 55) return `about ${5 * Math.round(seconds / 5)} s`;
  if (seconds < 90) return "about a minute";
  return `about ${Math.round(seconds / 60)} min`;
}
