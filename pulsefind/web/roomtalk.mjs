// Talking to the room's own server: questions, news, and that this window is there. The address holds the token.

const NEWS_MS = 800;
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
    window.addEventListener("pagehide", () => this.#leave());
    window.addEventListener("pageshow", () => this.#askAgain());
    document.addEventListener("visibilitychange", () => this.#askAgain());
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
      const answer = await fetch(`${this.root}news?window=${this.window}&since=${this.version}`);
      if (answer.status === 403) throw new Error("another run");
      this.missed = 0;
      if (answer.status === 200) {
        this.state = await answer.json();
        this.version = this.state.version;
        this.heard(this.state);
      }
    } catch {
      this.missed += 1;
    }
    if (this.isOver) return;
    if (this.missed >= GIVEN_UP) {
      this.end();
      this.closed();
      return;
    }
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.#news(), NEWS_MS);
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

// "about 40 s", "about 3 min": no finer than it is known.
export function aboutTime(seconds) {
  if (seconds < 8) return "a few seconds";
  if (seconds < 55) return `about ${5 * Math.round(seconds / 5)} s`;
  if (seconds < 90) return "about a minute";
  return `about ${Math.round(seconds / 60)} min`;
}
