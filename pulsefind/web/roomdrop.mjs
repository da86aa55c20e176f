// Uploads: songs dropped anywhere in the window, or chosen. They are listed at once and sent two at a time.

import { $, el } from "./drawing.mjs";

const AT_ONCE = 2;
const DONE_MS = 1200;

export class Doorway {
  // wanted: the file endings of recordings.
  constructor(talk, wanted) {
    this.talk = talk;
    this.wanted = wanted;
    this.waiting = [];
    this.going = 0;
    $("choose-songs").addEventListener("click", () => $("songs-input").click());
    $("choose-folder").addEventListener("click", () => $("folder-input").click());
    $("songs-input").accept = ["audio/*", ...wanted].join(",");
    for (const id of ["songs-input", "folder-input"])
      $(id).addEventListener("change", () => {
        this.take([...$(id).files], id === "folder-input");
        $(id).value = "";
      });
    this.#wireDrop();
  }

  #wireDrop() {
    let depth = 0;
    const over = (on) => document.body.classList.toggle("dropping", on);
    const isFiles = (event) => [...event.dataTransfer.types].includes("Files");
    document.addEventListener("dragenter", (event) => {
      if (!isFiles(event)) return;
      depth += 1;
      over(true);
    });
    document.addEventListener("dragleave", (event) => {
      if (!isFiles(event)) return;
      depth -= 1;
      over(depth > 0);
    });
    document.addEventListener("dragover", (event) => {
      if (isFiles(event)) event.preventDefault();
    });
    document.addEventListener("drop", async (event) => {
      if (!isFiles(event)) return;
      event.preventDefault();
      depth = 0;
      over(false);
      const whole = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
      const plain = [...event.dataTransfer.files];
      const isFolder = whole.some((entry) => entry.isDirectory);
      this.take(isFolder ? await filesOf(whole) : plain, isFolder);
    });
  }

  // Takes files to send. From a folder it picks the recordings; a file dropped by itself is refused if it is none.
  take(files, isFolder) {
    const meant = isFolder ? files.filter(({ name }) => this.#isSong(name)) : files;
    for (const file of meant) {
      const row = new ComingRow(file);
      $("coming").append(row.item);
      if (this.#isSong(file.name)) this.waiting.push(row);
      else row.say("is no recording; drop wav, flac, ogg, mp3, m4a or aiff");
    }
    this.#next();
  }

  #isSong(name) {
    return this.wanted.some((ending) => name.toLowerCase().endsWith(ending));
  }

  #next() {
    while (this.going < AT_ONCE && this.waiting.length) {
      const row = this.waiting.shift();
      if (row.isGone) continue;
      this.going += 1;
      this.#send(row).finally(() => {
        this.going -= 1;
        this.#next();
      });
    }
  }

  async #send(row) {
    const { done, stop } = this.talk.put(
      `songs?name=${encodeURIComponent(row.file.name)}`,
      row.file,
      (share) => row.show(share),
    );
    row.stop = stop;
    try {
      const { was_there: wasThere } = await done;
      row.end(wasThere ? "is there already" : "is in");
      this.talk.soon();
    } catch (error) {
      row.say(error.message);
    }
  }
}

// A row for a file being uploaded.
class ComingRow {
  constructor(file) {
    this.file = file;
    this.isGone = false;
    this.stop = null;
    this.words = el("span", { class: "coming-what" }, "waits");
    this.button = el(
      "button",
      { type: "button", class: "quiet", on: { click: () => this.#leaveOut() } },
      "Leave it out",
    );
    const name = el("span", { class: "coming-name", dir: "auto" }, file.name);
    this.item = el("li", {}, name, this.words, this.button);
  }

  show(share) {
    this.words.textContent = share < 1 ? `coming in, ${Math.floor(100 * share)} %` : "being put on the shelf";
  }

  end(words) {
    this.words.textContent = words;
    this.button.remove();
    setTimeout(() => this.item.remove(), DONE_MS);
  }

  say(line) {
    this.words.textContent = line.startsWith(this.file.name) ? line.slice(this.file.name.length + 2) : line;
    this.item.classList.add("refused");
    this.button.textContent = "All right";
    this.stop = null;
  }

  #leaveOut() {
    this.isGone = true;
    this.stop?.();
    this.item.remove();
  }
}

// All files that were dropped, also those in nested folders.
async function filesOf(entries) {
  const found = [];
  const waiting = [...entries];
  while (waiting.length) {
    const entry = waiting.shift();
    if (entry.isFile) found.push(await new Promise((resolve, reject) => entry.file(resolve, reject)));
    else waiting.push(...(await insideOf(entry.createReader())));
  }
  return found;
}

// A reader returns a folder's entries in batches, and an empty batch at the end.
async function insideOf(reader) {
  const found = [];
  for (;;) {
    const part = await new Promise((resolve, reject) => reader.readEntries(resolve, reject));
    if (!part.length) return found;
    found.push(...part);
  }
}
