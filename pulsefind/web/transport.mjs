// Start and stop, where the song is, and the keys for both.

import { $, barName, called, leading, setText } from "./drawing.mjs";
import { wireLevel } from "./kitview.mjs";
import { nextChange, positionAt } from "./reading.mjs";

export class Transport {
  constructor(app) {
    this.app = app;
    $("play").addEventListener("click", () => app.toggle());
    wireLevel(app, "master");
    document.addEventListener("keydown", (event) => this.#key(event));
    app.on("starting", (unread) => {
      document.body.classList.add("playing");
      if (unread) setText("play", "Reading");
    });
    app.on("playing", () => this.#showPlaying(true));
    app.on("stopped", () => {
      this.#showPlaying(false);
      this.#showBar(app.selected);
    });
    app.on("training", (going) => setText("play", going ? "Stop" : "Start"));
    app.on("lead", (count) => this.#showLead(count));
    app.on("moved", ({ at }) => this.#show(at));
    app.on("place", (bar) => this.#showBar(bar));
    app.on("loop", () => {
      if (!app.player.playing) this.#showBar(app.selected);
    });
    app.on("reading", () => this.#showBar(app.selected));
    app.on("trouble", (words) => {
      this.#showPlaying(false);
      setText("where-guide", words);
      setText("said", words);
    });
    app.on("said", (words) => {
      $("said").textContent = words;
    });
    // What lies above the dock (the tap pad, the end of the page) has to know how high it is.
    new ResizeObserver(([entry]) => {
      const height = Math.ceil(entry.target.getBoundingClientRect().height);
      document.documentElement.style.setProperty("--dock", `${height}px`);
    }).observe(document.querySelector(".transport"));
  }

  draw() {
    if (!this.app.reading.bars.length) return;
    $("play").disabled = false;
    this.#showBar(this.app.selected);
  }

  #showPlaying(playing) {
    setText("play", playing ? "Stop" : "Start");
    document.body.classList.toggle("playing", playing);
  }

  #showLead(count) {
    if (count) setText("where-count", count);
    setText("where-bar", "count-in");
  }

  #showBar(bar) {
    this.#show(positionAt(this.app.reading, this.app.reading.bars[bar].start));
  }

  #show(at) {
    const { app } = this;
    const { reading } = app;
    if (app.secret) {
      setText("where-bar", "riddle");
      setText("where-count", "?");
      setText("where-guide", "");
      setText("where-next", "");
      return;
    }
    const guide = reading.plan[at.bar];
    setText("where-bar", barName(reading, at.bar));
    setText("where-count", String(reading.count[at.beat]));
    setText("where-guide", guide < 0 ? leading(reading, at.bar) : `follow the ${called(reading, guide)}`);
    setText("where-next", nextWords(reading, at.bar));
  }

  #key(event) {
    const { app } = this;
    const typing = event.target.closest("input:not([type=range]):not([type=radio]), select, textarea");
    if (typing || event.ctrlKey || event.metaKey || event.altKey) return;
    const isSpace = event.key === " ";
    if (app.training && (isSpace || event.key === "j" || event.key === "f")) {
      event.preventDefault();
      if (!event.repeat) app.tap(event.timeStamp);
      return;
    }
    if (event.key === "Escape") app.setLoop(null);
    if (isSpace && !event.target.closest("button, input, summary, a, [role=tab]")) {
      event.preventDefault();
      app.toggle();
    }
  }
}

// What changes next, and when: "alone in 4 bars", "kick from the next bar".
export function nextWords(reading, bar) {
  const next = nextChange(reading, bar);
  if (!next) return "to the end";
  const what = leading(reading, next.bar);
  return next.inBars === 1 ? `${what} from the next bar` : `${what} in ${next.inBars} bars`;
}
