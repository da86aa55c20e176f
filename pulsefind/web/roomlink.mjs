// A song's page inside the room: saves corrections by itself, sends takes for review, reloads after a new analysis.

import { $, el } from "./drawing.mjs";
import { wavOf } from "./recorder.mjs";
import { Talk } from "./roomtalk.mjs";
import { songFileChanges } from "./songfile.mjs";

const PAUSE_MS = 900;

// The pieces of the recording as the room serves them, as functions that give one; their times match the analysis.
export function roomPieces({ frames, piece }) {
  return Array.from({ length: Math.ceil(frames / piece) }, (_, k) => async () => {
    const answer = await fetch(`sound/${k}`);
    if (!answer.ok) throw new Error(await answer.text());
    return answer.arrayBuffer();
  });
}

export class RoomLink {
  // show(view): switches to a view of the page.
  constructor(app, record, show) {
    this.app = app;
    this.record = record;
    this.view = "desk";
    this.show = show;
    this.saved = "[]";
    this.base = app.data.room;
    this.song = location.pathname.split("/").at(-2);
    this.talk = new Talk(
      "../../",
      (state) => this.#heard(state.songs.find(({ id }) => id === this.song)),
      () => this.#say("The room is closed. Start it again: pulsefind room"),
    );
    app.on("reading", () => this.#saveSoon());
    app.on("stopped", () => this.#renew());
    $("room-undo").addEventListener("click", () => this.#undo());
    $("room-new").addEventListener("click", () => this.#reload());
    $("record-review").addEventListener("click", () => this.#reviewRecorded());
    $("room-take").addEventListener("change", () => this.#reviewFile());
    this.#goWhereAsked();
  }

  // The address may name a view and a time: #view=ear&at=12.3
  #goWhereAsked() {
    const asked = new URLSearchParams(location.hash.slice(1));
    const { bars } = this.app.reading;
    if (!bars.length) return;
    if (asked.has("at")) {
      const at = Number(asked.get("at"));
      const bar = bars.findLastIndex(({ start }) => start <= at + 0.01);
      this.app.select(Math.max(0, bar));
    }
    if (asked.has("view") && $(`tab-${asked.get("view")}`)) this.show(asked.get("view"));
  }

  #say(words) {
    $("room-note").textContent = words;
  }

  // ---- corrections

  #saveSoon() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.#save(), PAUSE_MS);
  }

  async #save() {
    const { app } = this;
    const now = JSON.stringify(app.corrections);
    if (now === this.saved) return;
    const { values, dropped } = songFileChanges(app.data, app.reading, app.corrections);
    try {
      this.#say("Saving ...");
      await this.talk.post(`songs/${this.song}/tell`, { base: this.base, values, dropped });
      this.saved = now;
      this.#say("Saved. It is being heard again with what you know.");
    } catch (error) {
      this.#say(`Not saved: ${error.message}`);
    }
    this.talk.soon();
  }

  async #undo() {
    try {
      await this.talk.post(`songs/${this.song}/undo`);
      this.#say("Taken back. It is being heard again.");
    } catch (error) {
      this.#say(error.message);
    }
    this.talk.soon();
  }

  // ---- after a new analysis

  #heard(song) {
    if (!song) return;
    $("room-undo").disabled = !song.can_undo;
    if (song.state === "trouble") this.#say(`It can't be heard so: ${song.trouble}`);
    this.isNew = song.state === "ready" && song.mark !== "" && song.mark !== this.base;
    $("room-new").hidden = !this.isNew;
    if (this.isNew) this.#say("It was heard anew, with what you told.");
    this.#renew();
  }

  // Reloads to show the new analysis, once nothing is playing, recording or unsaved.
  #renew() {
    const { app } = this;
    const isBusy = app.player.playing || app.training || this.record.recorder || this.record.take;
    if (this.isNew && !isBusy && JSON.stringify(app.corrections) === this.saved) this.#reload();
  }

  #reload() {
    const { app } = this;
    const view = document.querySelector('[role="tab"][aria-selected="true"]').id.replace("tab-", "");
    const at = app.reading.bars[app.selected]?.start ?? 0;
    location.hash = `view=${view === "take" ? "desk" : view}&at=${at.toFixed(2)}`;
    if (location.search) location.search = "";
    else location.reload();
  }

  // ---- takes

  async #reviewRecorded() {
    const { samples, rate, startsAt } = this.record.take;
    const wav = new Blob([wavOf(samples, rate)], { type: "audio/wav" });
    await this.#review(wav, "take.wav", `&starts_at=${startsAt.toFixed(3)}`);
  }

  async #reviewFile() {
    const [file] = $("room-take").files;
    $("room-take").value = "";
    if (file) await this.#review(file, file.name, "");
  }

  async #review(file, name, startsAt) {
    const note = $("record-note");
    note.textContent = "The take is being looked at ...";
    try {
      const path = `songs/${this.song}/takes?name=${encodeURIComponent(name)}${startsAt}`;
      const { take, is_reviewed: isReviewed, said } = await this.talk.put(path, file).done;
      if (isReviewed) location.assign(`?take=${take}#view=take`);
      else note.replaceChildren(el("span", { class: "said-lines" }, said));
    } catch (error) {
      note.textContent = `${error.message}`;
    }
  }
}
