// The room: the songs, the set in order, and what is being done.

import { $, el, shortTime } from "./drawing.mjs";
import { keep, kept } from "./keeping.mjs";
import { Doorway } from "./roomdrop.mjs";
import { SongRow, fetchFile, printFile } from "./roomsong.mjs";
import { Talk, aboutTime } from "./roomtalk.mjs";

class Room {
  constructor(choices) {
    this.choices = choices;
    this.rows = new Map();
    this.set = [];
    this.talk = new Talk(
      "",
      (state) => this.show(state),
      () => this.closed(),
    );
    this.doorway = new Doorway(this.talk, choices.endings);
    $("close").addEventListener("click", () => this.#close());
    $("set-sheet").addEventListener("click", () => this.#sheets(false));
    $("set-pdf").addEventListener("click", () => this.#sheets(true));
    $("take-demo").addEventListener("click", () => this.#takeDemo());
    this.#wireLight();
    this.talk.take(choices.state);
  }

  #wireLight() {
    const asDevice = window.matchMedia("(prefers-color-scheme: light)").matches ? "bright" : "dark";
    const set = (light) => {
      document.documentElement.dataset.light = light;
      $("light").textContent = light === "dark" ? "Bright stage" : "Dark room";
    };
    set(kept("light", asDevice));
    $("light").addEventListener("click", () => {
      const light = document.documentElement.dataset.light === "dark" ? "bright" : "dark";
      keep("light", light);
      set(light);
    });
  }

  // ---- showing the state

  show(state) {
    this.state = state;
    this.set = state.set;
    const songs = new Map(state.songs.map((song) => [song.id, song]));
    for (const [id, row] of this.rows) {
      if (songs.has(id)) continue;
      row.item.remove();
      this.rows.delete(id);
    }
    const beside = state.songs.filter(({ id }) => !state.set.includes(id));
    state.set.forEach((id, k) => this.#row(id).update(songs.get(id), this.#where(state, k)));
    for (const song of beside) this.#row(song.id).update(song, { isListed: false, isOwn: state.own });
    this.#lay($("set"), withJumps(state, this.rows));
    this.#lay(
      $("beside"),
      beside.map(({ id }) => this.rows.get(id).item),
    );
    $("set-section").hidden = !state.set.length;
    $("beside-section").hidden = !beside.length;
    $("beside-head").textContent = beside.some(({ state: at }) => at === "waiting" || at === "hearing")
      ? "On their way"
      : "Beside the set";
    this.#words(state, songs);
  }

  #where(state, k) {
    return { isListed: true, isOwn: state.own, first: k === 0, last: k === state.set.length - 1 };
  }

  #row(id) {
    if (!this.rows.has(id)) this.rows.set(id, new SongRow(this, id));
    return this.rows.get(id);
  }

  // Leaves items in place that are right already, so that nothing moves under a pointer.
  #lay(list, items) {
    items.forEach((item, k) => {
      if (list.children[k] !== item) list.insertBefore(item, list.children[k] ?? null);
    });
    while (list.children.length > items.length) list.lastElementChild.remove();
  }

  #words(state, songs) {
    const inSet = state.set.map((id) => songs.get(id));
    const length = inSet.reduce((sum, song) => sum + (song.length_s ?? 0), 0);
    const count = `${inSet.length} ${inSet.length === 1 ? "song" : "songs"}`;
    const left = state.left_s === null ? "" : `; ${aboutTime(state.left_s)} until all are heard`;
    $("set-sum").textContent = `${count}, ${shortTime(length)} of music${left}`;
    const unsure = inSet.filter((song) => song.doubts?.length);
    $("set-ear").textContent = unsure.length
      ? `${unsure.length} of ${inSet.length} ${unsure.length === 1 ? "needs" : "need"} your ear before the gig.`
      : "";
    $("set-pdf").hidden = !state.can_pdf;
    $("room-trouble").textContent = state.trouble;
    const size =
      state.bytes < 1e9 ? `${Math.ceil(state.bytes / 1e6)} MB` : `${(state.bytes / 1e9).toFixed(1)} GB`;
    const takes = state.songs.length ? ` and takes ${size}` : "";
    $("where-songs-lie").textContent = `Everything lies in ${state.folder}${takes}.`;
    document.body.classList.toggle("has-songs", state.songs.length > 0);
  }

  // ---- acting

  move(id, by) {
    const songs = [...this.set];
    const from = songs.indexOf(id);
    songs.splice(from, 1);
    songs.splice(from + by, 0, id);
    this.#order(songs);
    $("said").textContent = `Now number ${from + by + 1}`;
  }

  listed(id, on) {
    this.#order(on ? [...this.set, id] : this.set.filter((other) => other !== id));
  }

  async #order(songs) {
    await this.#try(() => this.talk.post("set", { songs }));
    this.talk.soon();
  }

  async #sheets(pdf) {
    $("set-note").textContent = "Being made ...";
    const made = await this.#try(() => this.talk.post("make", { pdf }));
    if (!made) return;
    if (made.unheard.length) $("set-note").textContent = `Without ${made.unheard.join(", ")}: not heard yet.`;
    if (pdf) fetchFile(`files/${made.file}`);
    else printFile(`files/${made.file}`);
  }

  async #takeDemo() {
    const button = $("take-demo");
    button.disabled = true;
    $("room-note").textContent = "The demo song is being made ...";
    try {
      await this.talk.post("demo");
      $("room-note").textContent = "";
    } catch (error) {
      $("room-note").textContent = error.message;
    }
    button.disabled = false;
    this.talk.soon();
  }

  async #try(act) {
    try {
      const answer = await act();
      $("set-note").textContent = "";
      return answer;
    } catch (error) {
      $("set-note").textContent = error.message;
      return null;
    }
  }

  async #close() {
    this.talk.end();
    await this.#try(() => this.talk.post("close"));
    this.closed();
  }

  closed() {
    $("closed").hidden = false;
    $("main").inert = true;
  }
}

// The songs of the set, with the tempo change between each two.
function withJumps(state, rows) {
  return state.set.flatMap((id, k) => {
    const { item } = rows.get(id);
    if (k === 0) return [item];
    const words = state.jumps[k - 1];
    const jump = rows.get(id).jump ?? el("li", { class: "jump" });
    rows.get(id).jump = jump;
    jump.textContent = words === "tempo unknown" ? "" : words;
    return [jump, item];
  });
}

const room = new Room(JSON.parse($("data").textContent));
// For tests.
window.pulsefindRoom = room;
