// A song in the list: its facts, its doubts, its progress, and what can be made of it.

import { el, shortTime } from "./drawing.mjs";
import { aboutTime } from "./roomtalk.mjs";

const STEPS = [
  "opening it",
  "listening to it",
  "finding the beat and the 1",
  "picking out single sounds",
  "looking for a sound to follow",
  "drawing its page",
];
const MOST_DOUBTS = 3;

export class SongRow {
  // room: { talk, choices, move(id, by), listed(id, on) }
  constructor(room, id) {
    this.room = room;
    this.id = id;
    this.shown = "";
    this.item = el("li", { class: "song", "data-song": id });
    this.#make();
  }

  #make() {
    const button = (words, act, kind = "quiet") =>
      el("button", { type: "button", class: kind, on: { click: act } }, words);
    this.title = el("h3", { class: "song-title", dir: "auto" });
    this.tempo = el("p", { class: "song-tempo" });
    this.facts = el("p", { class: "song-facts" });
    this.state = el("div", { class: "song-state" });
    this.doubts = el("ul", { class: "song-doubts" });
    this.open = el("a", { class: "go", href: `songs/${this.id}/` }, "Open");
    this.earlier = button("Earlier", () => this.room.move(this.id, -1));
    this.later = button("Later", () => this.room.move(this.id, 1));
    this.order = el("div", { class: "song-order" }, this.earlier, this.later);
    this.note = el("p", { class: "hint song-note", role: "status" });
    this.more = el("details", { class: "song-more" }, el("summary", {}, "More"), this.#things(button));
    this.item.append(
      el(
        "div",
        { class: "song-head" },
        el("div", { class: "song-name" }, this.title, this.facts),
        this.tempo,
      ),
      this.state,
      this.doubts,
      el("div", { class: "song-row" }, this.open, this.order, this.more),
      this.note,
    );
  }

  #things(button) {
    const { choices } = this.room;
    const pick = (label, pairs) => {
      const select = el("select", {}, ...pairs.map(([value, words]) => el("option", { value }, words)));
      return [el("label", {}, `${label} `, select), select];
    };
    const [onLabel, on] = pick("Click on", choices.clicks);
    const [speedLabel, speed] = pick(
      "at",
      choices.speeds.map((share) => [share, `${share} %`]),
    );
    const [kindLabel, kind] = pick(
      "as",
      choices.kinds.map((word) => [word, word]),
    );
    speed.value = "100";
    const made = (what, words) => button(words, () => this.#fetchMade(what));
    this.undo = button("Take back the last correction", () => this.#post("undo"));
    this.inSet = button("", () => this.room.listed(this.id, !this.isListed));
    this.away = button("Put it away", () => this.#post("away"));
    this.takes = el("ul", { class: "plain song-takes" });
    this.takeFile = el("input", { type: "file", accept: "audio/*,.mid,.midi", hidden: true });
    this.takeFile.addEventListener("change", () => this.#sendTake());
    return el(
      "div",
      { class: "song-things" },
      el("h4", {}, "To practise"),
      el(
        "div",
        { class: "controls" },
        onLabel,
        speedLabel,
        kindLabel,
        button("Get the click", () =>
          this.#fetchMade("click", { on: on.value, speed: Number(speed.value), kind: kind.value }),
        ),
      ),
      el(
        "div",
        { class: "controls" },
        made("ladder", "A ladder, from full help to none"),
        made("forward", "What to follow, brought forward"),
      ),
      el("h4", {}, "To take along"),
      el(
        "div",
        { class: "controls" },
        made("sheet", "Print its sheet"),
        made("phone", "Its page for the phone"),
        made("archive", "Everything in one file"),
      ),
      el("h4", {}, "Takes"),
      el(
        "p",
        { class: "hint" },
        "Record one in the song's page (Drills), or bring a recording of your playing.",
      ),
      this.takes,
      el(
        "div",
        { class: "controls" },
        button("Bring a take", () => this.takeFile.click()),
        this.takeFile,
      ),
      el("h4", {}, "This song"),
      el("div", { class: "controls" }, this.undo, this.inSet, this.away),
    );
  }

  // ---- showing the state

  update(song, { isListed, isOwn, first, last }) {
    const text = JSON.stringify([song, isListed, isOwn, first, last]);
    if (text === this.shown) return;
    this.shown = text;
    this.isListed = isListed;
    this.song = song;
    const isReady = song.state === "ready" || (song.state === "hearing" && song.bpm !== undefined);
    this.item.dataset.state = song.state;
    this.title.textContent = song.title;
    this.facts.textContent = factsOf(song);
    this.tempo.replaceChildren(...tempoOf(song));
    this.#drawState(song);
    this.#drawDoubts(song);
    this.open.hidden = song.state !== "ready";
    this.order.hidden = !isListed;
    this.earlier.disabled = first;
    this.later.disabled = last;
    this.earlier.setAttribute("aria-label", `${song.title}: earlier in the set`);
    this.later.setAttribute("aria-label", `${song.title}: later in the set`);
    this.more.hidden = !isReady && song.state !== "trouble" && song.state !== "alone";
    this.undo.hidden = !song.can_undo;
    this.inSet.textContent = isListed ? "Take it out of the set" : "Put it into the set";
    this.inSet.hidden = song.bpm === undefined;
    this.away.hidden = !isOwn;
    this.#drawTakes(song);
  }

  #drawState(song) {
    const parts = [];
    const small = (words, act) => el("button", { type: "button", class: "quiet", on: { click: act } }, words);
    if (song.state === "hearing") {
      parts.push(
        steps(song.doing),
        el("p", {}, doingText(song)),
        small("Leave it for now", () => this.#post("alone")),
      );
    } else if (song.state === "waiting") {
      parts.push(el("p", { class: "hint" }, song.doing || "being looked at"));
      if (song.doing) parts.push(small("Leave it for now", () => this.#post("alone")));
    } else if (song.state === "trouble") {
      parts.push(
        el("p", { class: "wrong" }, song.trouble),
        small("Try again", () => this.#post("again")),
      );
    } else if (song.state === "alone") {
      parts.push(
        el("p", { class: "hint" }, "Left for now."),
        small("Hear it", () => this.#post("again")),
      );
    }
    parts.push(...song.remarks.map((line) => el("p", { class: "hint", dir: "auto" }, line)));
    this.state.replaceChildren(...parts);
  }

  #drawDoubts(song) {
    const doubts = song.doubts ?? [];
    const items = doubts
      .slice(0, MOST_DOUBTS)
      .map((doubt) =>
        el(
          "li",
          {},
          el("strong", {}, "Needs your ear: "),
          `${doubt.what} ${doubt.listen} `,
          el("a", { href: `songs/${this.id}/#view=ear&at=${doubt.at_s}` }, "Put it right"),
        ),
      );
    if (doubts.length > MOST_DOUBTS)
      items.push(el("li", {}, `And ${doubts.length - MOST_DOUBTS} more places.`));
    this.doubts.replaceChildren(...(song.state === "ready" ? items : []));
  }

  #drawTakes(song) {
    const items = song.takes.map((take) =>
      el(
        "li",
        { dir: "auto" },
        take.is_reviewed
          ? el("a", { href: `songs/${this.id}/?take=${take.id}#view=take` }, take.name)
          : `${take.name} (not reviewed)`,
      ),
    );
    this.takes.replaceChildren(...items);
  }

  // ---- acting

  async #post(what) {
    try {
      await this.room.talk.post(`songs/${this.id}/${what}`);
      this.note.textContent = "";
    } catch (error) {
      this.note.textContent = error.message;
    }
    this.room.talk.soon();
  }

  async #fetchMade(what, asked = {}) {
    this.note.textContent = "Being made ...";
    try {
      const { file } = await this.room.talk.post(`songs/${this.id}/make`, { what, ...asked });
      this.note.textContent = "";
      if (what === "sheet") printFile(`files/${file}`);
      else fetchFile(`files/${file}`);
    } catch (error) {
      this.note.textContent = error.message;
    }
  }

  async #sendTake() {
    const [file] = this.takeFile.files;
    this.takeFile.value = "";
    if (!file) return;
    this.note.textContent = `${file.name} is being looked at ...`;
    try {
      const path = `songs/${this.id}/takes?name=${encodeURIComponent(file.name)}`;
      const { take, is_reviewed: isReviewed, said } = await this.room.talk.put(path, file).done;
      if (isReviewed) location.href = `songs/${this.id}/?take=${take}#view=take`;
      else this.note.textContent = said;
    } catch (error) {
      this.note.textContent = error.message;
    }
    this.room.talk.soon();
  }
}

// Downloads a file that was made.
export function fetchFile(address) {
  el("a", { href: address, download: "" }).click();
}

// Opens the browser's print dialog for a sheet, from a hidden frame.
export function printFile(address) {
  document.querySelector(".to-print")?.remove();
  const frame = el("iframe", { class: "to-print", src: address, title: "The sheet", "aria-hidden": "true" });
  frame.addEventListener("load", () => {
    frame.contentWindow.focus();
    frame.contentWindow.print();
  });
  document.body.append(frame);
}

function factsOf(song) {
  const parts = [];
  if (song.length_s) parts.push(shortTime(song.length_s));
  if (song.feel) parts.push(song.feel);
  if (song.told) parts.push("corrected by you");
  return parts.join(" · ");
}

function tempoOf(song) {
  if (!song.bpm) return [];
  return [el("strong", {}, song.bpm.toFixed(0)), ` bpm`];
}

// Marks the steps that are done. They are steps and not a percentage, since nobody knows one.
function steps(doing) {
  const at = STEPS.indexOf(doing);
  const marks = STEPS.map((_, k) =>
    el("span", { class: k < at ? "step full" : k === at ? "step now" : "step" }),
  );
  return el("span", { class: "steps", "aria-hidden": "true" }, ...marks);
}

function doingText(song) {
  const words = song.doing[0].toUpperCase() + song.doing.slice(1);
  if (song.left_s !== null) return `${words}; ${aboutTime(song.left_s)} to go`;
  return song.so_far_s < 60 ? `${words} ...` : `${words}; ${aboutTime(song.so_far_s)} so far`;
}
