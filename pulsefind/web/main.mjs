// The page: one state, and what happens to it.

import { clickSet } from "./clickset.mjs";
import { commandWords } from "./command.mjs";
import { barName, barsText, el, letterOf, markIcon, percent } from "./drawing.mjs";
import { drawBar, drawLenses, drawSure, drawTable } from "./barview.mjs";
import { keep, kept } from "./keeping.mjs";
import { countOf, drawPlaces, drawPresets, radio } from "./playview.mjs";
import { Player, renderRun } from "./player.mjs";
import { corrected, lastAtOrBefore, nearestPlace, placeTime, positionAt, readingOf, shiftToOne } from "./reading.mjs";
import { BarMap, barWords, drawAnswers, drawLegend, drawPlanWords, drawTempo } from "./songview.mjs";
import { Mixer, START_LEVEL, bytesOfBase64, delayAgainst, insideBytes } from "./sound.mjs";
import { drawTake } from "./takeview.mjs";
import { Delay, FindOne, HoldIt } from "./trainview.mjs";

const $ = (id) => document.getElementById(id);
const VIEWS = ["song", "bar", "play", "train", "fix", "take"];
const PHRASES = [2, 3, 4, 5, 6, 8, 12, 16];
const MOST_GUIDE_BOOST = 4;
const CHECK_S = 30;
const EARLIEST_TAP_S = 0.25;

class App {
  constructor(data) {
    this.data = data;
    this.corrections = [];
    this.reading = readingOf(data);
    this.phrase = data.phrase;
    this.selected = 0;
    this.loop = null;
    this.clicks = clickSet("beats");
    this.speed = 1;
    this.guide = this.reading.guides.length ? 0 : null;
    this.misreading = null;
    this.track = null;
    this.recording = null;
    this.training = null;
    this.player = new Player(() => this.#makeMixer());
    this.player.onStop = () => this.#stopped();
    this.map = new BarMap($("map"));
    // The take has a view only where there is one.
    this.views = VIEWS.filter((view) => view !== "take" || data.take);
  }

  #makeMixer() {
    const mixer = new Mixer(new AudioContext({ latencyHint: "interactive" }));
    mixer.setAtOnce(this.#levels());
    return mixer;
  }

  #levels() {
    const share = (id) => Number($(id).value) / 100;
    return {
      track: share("level-track") ** 2,
      click: share("level-click") ** 2,
      guide: MOST_GUIDE_BOOST * share("level-guide") ** 2,
      master: share("level-master"),
    };
  }

  // ---- the start

  start() {
    this.#wireTabs();
    this.#wireTop();
    this.#wireTransport();
    this.#wireMap();
    this.#wirePlay();
    this.#wireTraining();
    this.#wireFix();
    this.#drawAll();
    if (!this.reading.bars.length) {
      for (const view of this.views.slice(1)) $(`tab-${view}`).disabled = true;
      return;
    }
    $("play").disabled = false;
    if (!this.data.inside) $("file-box").hidden = false;
    let width = window.innerWidth;
    window.addEventListener("resize", () => {
      if (window.innerWidth === width) return;
      width = window.innerWidth;
      this.#drawMap();
      this.#drawSizes();
    });
  }

  #drawAll() {
    drawAnswers($("answers"), this.reading, this.data);
    if (!this.reading.bars.length) return;
    drawLegend($("legend"), this.reading);
    drawPlanWords($("plan-words"), this.reading);
    this.#drawMap();
    drawPresets($("presets"), this.clicks.kind, (key) => this.#choosePreset(key));
    drawPlaces($("places"), this.reading, this.clicks, (place) => this.#togglePlace(place));
    drawSure($("bar-sure"), this.data);
    this.#drawGuideChoice();
    this.#drawSizes();
    this.#drawReadings();
    this.#drawCommand();
    this.#showWhere(this.reading.bars[this.selected].start);
    this.#showLoop();
  }

  async #drawMap() {
    await this.map.draw(this.reading, this.phrase);
    this.map.setLoop(this.loop, this.selected);
    performance.mark("bars drawn");
  }

  // What depends on the width that is there.
  #drawSizes() {
    if (!$("view-song").hidden) this.tempo = drawTempo($("tempo"), this.reading);
    if (!$("view-bar").hidden) this.#drawBarView();
    if (this.view === "take") this.#drawTakeView();
  }

  #drawTakeView() {
    const box = (name) => $(`take-${name}`);
    drawTake(
      { words: box("words"), course: box("course"), table: box("table"), places: box("places"), alone: box("alone"), corrections: box("corrections"), history: box("history"), next: box("next") },
      this.reading,
      this.data.take,
      this.corrections.length > 0,
    );
  }

  // ---- views

  #wireTabs() {
    const tabs = this.views.map((view) => $(`tab-${view}`));
    tabs.forEach((tab, k) => {
      tab.addEventListener("click", () => this.show(this.views[k]));
      tab.addEventListener("keydown", (event) => {
        const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
        const to = event.key === "Home" ? 0 : event.key === "End" ? tabs.length - 1 : step ? (k + step + tabs.length) % tabs.length : null;
        if (to === null || tabs[to].disabled) return;
        event.preventDefault();
        this.show(this.views[to]);
        tabs[to].focus();
      });
    });
  }

  show(view) {
    if (view !== "train" && this.training) this.endTraining(this.training);
    for (const other of this.views) {
      $(`view-${other}`).hidden = other !== view;
      $(`tab-${other}`).setAttribute("aria-selected", String(other === view));
      $(`tab-${other}`).tabIndex = other === view ? 0 : -1;
    }
    this.view = view;
    this.#drawSizes();
    if (view === "song") this.map.fitColumns();
    if (view === "fix") this.#drawFixBar();
  }

  #wireTop() {
    const dark = window.matchMedia("(prefers-color-scheme: light)").matches ? "bright" : "dark";
    this.#setLight(kept("light", document.documentElement.dataset.light === "auto" ? dark : document.documentElement.dataset.light));
    $("light").addEventListener("click", () => {
      const light = document.documentElement.dataset.light === "dark" ? "bright" : "dark";
      keep("light", light);
      this.#setLight(light);
    });
    $("print").addEventListener("click", () => {
      this.show("song");
      window.print();
    });
  }

  #setLight(light) {
    document.documentElement.dataset.light = light;
    $("light").textContent = light === "dark" ? "Bright stage" : "Dark room";
  }

  // ---- playing

  #wireTransport() {
    $("play").addEventListener("click", () => this.toggle());
    for (const name of ["master", "track", "click", "guide"]) {
      const slider = $(`level-${name}`);
      if (name === "master") slider.value = String(100 * START_LEVEL);
      const show = () => {
        document.querySelector(`output[for="level-${name}"]`).textContent = `${slider.value} %`;
        slider.setAttribute("aria-valuetext", `${slider.value} percent`);
        this.player.mixer?.set(this.#levels());
      };
      slider.addEventListener("input", show);
      show();
    }
    document.addEventListener("keydown", (event) => this.#key(event));
    // What lies above the dock (the tap pad, the end of the page) has to know how high it is.
    new ResizeObserver(([entry]) => {
      document.documentElement.style.setProperty("--dock", `${Math.ceil(entry.target.getBoundingClientRect().height)}px`);
    }).observe(document.querySelector(".transport"));
  }

  #key(event) {
    const typing = event.target.closest("input:not([type=range]):not([type=radio]), select, textarea");
    if (typing || event.ctrlKey || event.metaKey || event.altKey) return;
    const isSpace = event.key === " ";
    if (this.training && (isSpace || event.key === "j" || event.key === "f")) {
      event.preventDefault();
      if (!event.repeat) this.tap(event.timeStamp);
      return;
    }
    if (event.key === "Escape") this.#setLoop(null);
    if (isSpace && !event.target.closest("button, input, summary, a, [role=tab]")) {
      event.preventDefault();
      this.toggle();
    }
  }

  toggle() {
    if (this.training) this.endTraining(this.training);
    else if (this.player.playing) this.player.stop();
    else this.play();
  }

  async readyMixer() {
    this.player.mixer ??= this.#makeMixer();
    await this.player.mixer.context.resume();
    return this.player.mixer;
  }

  async play(options = {}) {
    await this.#ready();
    const startBar = this.loop ? this.loop.first : this.selected;
    await this.player.start(this.reading, this.track, {
      startBar,
      loop: this.loop,
      speed: this.speed,
      clicks: this.clicks,
      countInBars: Number($("count-in").value),
      guide: "plan",
      ...options,
    });
    this.#playing(`Playing from ${barName(this.reading, options.startBar ?? startBar)}`);
  }

  async #ready() {
    const mixer = await this.readyMixer();
    if (!this.track && this.data.inside) {
      $("play").textContent = "Reading";
      this.recording ??= insideBytes([...document.querySelectorAll(".recording")]).then((bytes) => mixer.context.decodeAudioData(bytes));
      this.#useTrack(await this.recording, 0);
    }
    mixer.set(this.#levels());
  }

  #useTrack(buffer, delay) {
    const hits = this.reading.guides.flatMap((guide) => guide.hits.time.filter((_, k) => guide.hits.on[k]));
    this.track = { buffer, delay, anchors: [...hits, ...this.reading.time].sort((a, b) => a - b) };
  }

  #playing(words) {
    $("play").textContent = "Stop";
    document.body.classList.add("playing");
    this.#say(words);
    cancelAnimationFrame(this.frame);
    const step = () => {
      if (!this.player.playing) return;
      this.#follow();
      this.frame = requestAnimationFrame(step);
    };
    step();
  }

  #stopped() {
    $("play").textContent = "Play";
    document.body.classList.remove("playing");
    this.map.setNow(null);
    this.player.mixer?.set(this.#levels());
    if (this.training) this.endTraining(this.training);
  }

  // Change what plays without stopping it.
  #again() {
    if (!this.player.playing || this.training) return;
    this.player.change(this.reading, this.track, {
      loop: this.loop,
      speed: this.speed,
      clicks: this.clicks,
      guide: "plan",
    });
  }

  #follow() {
    const { scheduler } = this.player;
    const heard = this.player.heardAt();
    const lead = scheduler.leadAt(heard);
    if (lead !== null) {
      if (lead) this.#setText("where-count", lead);
      this.#setText("where-bar", "count-in");
      return;
    }
    const song = scheduler.songAt(heard);
    if (song !== null) this.#showWhere(song, true);
  }

  #showWhere(song, moving = false) {
    const at = positionAt(this.reading, song);
    if (!at) return;
    if (moving) {
      this.map.setNow(at.bar);
      this.#movePlayhead(at, song);
    }
    if (this.training instanceof FindOne && this.training.riddle) {
      this.#setText("where-bar", "riddle");
      this.#setText("where-count", "?");
      this.#setText("where-guide", "");
      return;
    }
    const guide = this.reading.plan[at.bar];
    this.#setText("where-bar", barName(this.reading, at.bar));
    this.#setText("where-count", String(this.reading.count[at.beat]));
    this.#setText("where-guide", guide < 0 ? "alone" : `follow ${letterOf(guide)}`);
  }

  #movePlayhead(at, song) {
    if (this.view !== undefined && this.view !== "song") return;
    const button = this.map.buttons[at.bar];
    if (!button) return;
    const bar = this.reading.bars[at.bar];
    const still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
    // With little motion wanted, the playhead steps from beat to beat.
    const beats = still ? Math.floor(at.beatsFromOne) : at.beatsFromOne;
    button.style.setProperty("--at", (beats / bar.full).toFixed(4));
    if (!still || at.beat !== this.lastBeat) this.tempo?.move(song);
    if (at.bar !== this.lastBar) this.#keepInSight(button, still);
    this.lastBar = at.bar;
    this.lastBeat = at.beat;
  }

  #keepInSight(button, still) {
    const box = button.getBoundingClientRect();
    const top = document.querySelector(".views").offsetHeight;
    const bottom = window.innerHeight - document.querySelector(".transport").offsetHeight;
    if (box.bottom > bottom || box.top < top) button.scrollIntoView({ block: "center", behavior: still ? "auto" : "smooth" });
  }

  #setText(id, text) {
    if ($(id).textContent !== text) $(id).textContent = text;
  }

  #say(words) {
    $("said").textContent = words;
  }

  // ---- the map

  #wireMap() {
    const select = $("phrase");
    const lengths = PHRASES.includes(this.phrase) ? PHRASES : [...PHRASES, this.phrase].sort((a, b) => a - b);
    select.replaceChildren(...lengths.map((n) => el("option", { value: n, selected: n === this.phrase }, String(n))));
    select.addEventListener("change", () => {
      this.phrase = Number(select.value);
      this.#drawMap();
    });
    const map = $("map");
    map.addEventListener("pointerdown", (event) => this.#dragStart(event));
    map.addEventListener("pointermove", (event) => this.#dragMove(event));
    map.addEventListener("pointerup", (event) => this.#dragEnd(event));
    map.addEventListener("pointercancel", () => {
      this.drag = null;
      this.map.setLoop(this.loop, this.selected);
    });
    map.addEventListener("keydown", (event) => this.#mapKey(event));
    // A click without a pointer comes from a screen reader or a switch.
    map.addEventListener("click", (event) => {
      const bar = barUnder(event.target);
      if (bar !== null && event.detail === 0) this.#select(bar);
    });
  }

  #dragStart(event) {
    const bar = barUnder(event.target);
    if (bar === null || event.button > 0) return;
    this.drag = { from: bar, to: bar };
    $("map").setPointerCapture(event.pointerId);
  }

  #dragMove(event) {
    if (!this.drag) return;
    const bar = barUnder(document.elementFromPoint(event.clientX, event.clientY));
    if (bar === null || bar === this.drag.to) return;
    this.drag.to = bar;
    this.map.setLoop(rangeOf(this.drag), this.selected);
  }

  #dragEnd() {
    if (!this.drag) return;
    const range = rangeOf(this.drag);
    const dragged = this.drag.from !== this.drag.to;
    this.drag = null;
    if (dragged) this.#setLoop(range);
    else this.#select(range.first);
  }

  #select(bar) {
    this.selected = bar;
    this.map.setLoop(this.loop, bar);
    this.map.buttons[bar]?.focus({ preventScroll: true });
    this.#showWhere(this.reading.bars[bar].start);
    this.#say(barWords(this.reading, bar));
    if (!this.player.playing || this.training) return;
    if (this.loop && (bar < this.loop.first || bar > this.loop.last)) this.#setLoop(null);
    this.play({ startBar: bar, countInBars: 0 });
  }

  #mapKey(event) {
    const bar = barUnder(event.target);
    if (bar === null) return;
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      event.stopPropagation();
      this.selected = bar;
      this.play({ startBar: bar, loop: this.loop && bar >= this.loop.first && bar <= this.loop.last ? this.loop : null });
      return;
    }
    const to = this.#barByKey(event.key, bar);
    if (to === null) return;
    event.preventDefault();
    if (event.shiftKey) {
      this.keyLoopFrom ??= bar;
      this.#setLoop(rangeOf({ from: this.keyLoopFrom, to }));
    } else {
      this.keyLoopFrom = null;
    }
    this.selected = to;
    this.map.setLoop(this.loop, to);
    this.map.buttons[to].focus();
    this.#showWhere(this.reading.bars[to].start);
  }

  #barByKey(key, bar) {
    const last = this.reading.bars.length - 1;
    const row = this.map.columns;
    const to = { ArrowLeft: bar - 1, ArrowRight: bar + 1, ArrowUp: bar - row, ArrowDown: bar + row, Home: 0, End: last }[key];
    return to === undefined ? null : Math.min(last, Math.max(0, to));
  }

  #setLoop(loop) {
    this.loop = loop;
    if (loop) this.selected = loop.first;
    this.map.setLoop(loop, this.selected);
    this.#showLoop();
    if (loop) this.#say(`Loop ${barsText(this.reading, loop.first, loop.last)}`);
    if (this.player.playing && !this.training) {
      const song = this.player.scheduler.songAt(this.player.mixer.context.currentTime);
      const inside = loop && song !== null && song >= this.reading.bars[loop.first].start && song < this.reading.bars[loop.last].end;
      if (!loop || inside) this.#again();
      else this.play({ startBar: loop.first, countInBars: 0 });
    }
  }

  #showLoop() {
    const { loop } = this;
    $("loop-chip").hidden = !loop;
    if (!this.reading.bars.length) return;
    const numbers = this.reading.bars.map((bar) => bar.number);
    const shown = loop ?? { first: this.selected, last: Math.min(numbers.length - 1, this.selected + this.phrase - 1) };
    if (loop) $("loop-chip").replaceChildren(el("span", {}, `Loop ${barsText(this.reading, loop.first, loop.last)}`), el("button", { type: "button", class: "quiet", "aria-label": "End the loop", on: { click: () => this.#setLoop(null) } }, "End"));
    for (const [id, bar] of [["loop-from", shown.first], ["loop-to", shown.last]]) {
      $(id).min = String(numbers[0]);
      $(id).max = String(numbers.at(-1));
      $(id).value = String(numbers[bar]);
    }
  }

  // ---- play along

  #wirePlay() {
    $("gap-on").addEventListener("change", () => this.#setGaps());
    $("gap-off").addEventListener("change", () => this.#setGaps());
    $("loop-set").addEventListener("click", () => {
      const numbers = this.reading.bars.map((bar) => bar.number);
      const index = (id) => Math.max(0, numbers.indexOf(countOf($(id), numbers[0], numbers.at(-1))));
      this.#setLoop(rangeOf({ from: index("loop-from"), to: index("loop-to") }));
    });
    $("loop-off").addEventListener("click", () => this.#setLoop(null));
    $("speed").addEventListener("input", () => {
      $("speed-out").textContent = `${$("speed").value} %`;
    });
    $("speed").addEventListener("change", () => {
      this.speed = Number($("speed").value) / 100;
      this.#again();
    });
    $("file").addEventListener("change", () => this.#openFile($("file").files[0]));
    $("check-timing").addEventListener("click", () => this.#checkTiming());
  }

  #choosePreset(key) {
    this.clicks = { ...this.clicks, kind: key };
    this.#clicksChanged();
  }

  #togglePlace(place) {
    const places = new Set(this.clicks.kind === "places" ? this.clicks.places : []);
    if (!places.delete(place)) places.add(place);
    this.clicks = { ...this.clicks, kind: "places", places: [...places] };
    this.#clicksChanged();
  }

  #clicksChanged() {
    for (const input of $("presets").querySelectorAll("input")) input.checked = input.value === this.clicks.kind;
    for (const button of $("places").querySelectorAll("button")) {
      button.setAttribute("aria-pressed", String(this.clicks.kind === "places" && this.clicks.places.includes(button.dataset.place)));
    }
    this.#again();
  }

  #setGaps() {
    this.clicks = { ...this.clicks, gapOn: countOf($("gap-on"), 0, 64), gapOff: countOf($("gap-off"), 0, 64) };
    this.#again();
  }

  async #openFile(file) {
    if (!file) return;
    const note = $("file-note");
    note.textContent = "Reading ...";
    const mixer = await this.readyMixer();
    let buffer;
    try {
      buffer = await mixer.context.decodeAudioData(await file.arrayBuffer());
    } catch {
      note.textContent = `${file.name}: this browser can't play it. Convert it to wav or flac and open that.`;
      return;
    }
    const delay = delayAgainst(this.#excerpt(), monoOf(buffer), buffer.sampleRate);
    if (delay === null) {
      note.textContent = `${file.name}: not the recording that this page was made from. Open ${this.data.track.name}.`;
      return;
    }
    this.#useTrack(buffer, delay);
    const ms = Math.abs(1000 * delay);
    const late = ms < 0.05 ? "in time" : `${ms.toFixed(1)} ms ${delay < 0 ? "early" : "late"}; that is made good`;
    note.textContent = `${file.name} is ready. This browser starts it ${late}.`;
  }

  #excerpt() {
    const { at, rate, pcm } = this.data.excerpt;
    const words = new Int16Array(bytesOfBase64(pcm).buffer);
    return { at, rate, samples: Float32Array.from(words, (word) => word / 32768) };
  }

  async #checkTiming() {
    const note = $("timing-note");
    note.textContent = "Rendering ...";
    const from = this.reading.bars[0].start;
    const beats = this.reading.time.filter((t) => t < from + CHECK_S - 1);
    const { samples, rate } = await this.render({ clicks: clickSet("beats"), startBar: 0 }, CHECK_S);
    const worst = Math.max(...beats.map((t) => Math.abs(onsetNear(samples, rate, t - from) - (t - from))));
    note.textContent = `${beats.length} clicks, the farthest ${(1000 * worst).toFixed(2)} ms from its beat.`;
  }

  // Mono samples of a run as the page would play it; without a track unless one is given.
  render(options, seconds, track = null, levels = { track: 1, click: 0.5, guide: 0, master: 1 }) {
    const makeMixer = (context) => {
      const mixer = new Mixer(context);
      mixer.setAtOnce(levels);
      return mixer;
    };
    return renderRun(makeMixer, this.reading, track, options, seconds);
  }

  // ---- one bar

  #drawGuideChoice() {
    const options = this.reading.guides.map((guide, k) =>
      radio("guide", k, ` ${letterOf(k)}`, k === this.guide, () => {
        this.guide = k;
        this.misreading = null;
        this.#drawBarView();
      }, markIcon(k)),
    );
    $("bar-guides").replaceChildren(...options);
  }

  #drawBarView() {
    const guide = this.guide === null ? null : this.reading.guides[this.guide];
    $("bar-name").textContent = guide ? `${letterOf(this.guide)}: ${guide.name}` : "No guide was found: these are the counts of a bar.";
    drawBar($("bar-drawing"), this.reading, this.guide, this.misreading);
    drawLenses($("bar-lenses"), this.reading, this.guide);
    drawTable($("bar-table"), this.reading, this.guide);
    this.#drawMisreadings();
  }

  #drawMisreadings() {
    const found = this.data.misreadings.filter((misreading) => misreading.guide === this.guide);
    const items = found.map((misreading) => {
      const over = this.misreading === misreading;
      const button = el("button", { type: "button", "aria-pressed": over, on: { click: () => {
        this.misreading = over ? null : misreading;
        this.#drawBarView();
        $("bar-misreadings").querySelector("button")?.focus();
      } } }, over ? "Take it off" : "Lay it over");
      return el("div", { class: "misreading" }, el("p", {}, el("b", {}, "Trap: "), `can be heard as ${misreading.heardAs}, at ${misreading.bpm.toFixed(0)} bpm. To tell: ${misreading.cue}.`), misreading.hitsAsBeats ? button : null);
    });
    $("bar-misreadings").replaceChildren(...items);
  }

  // ---- training

  #wireTraining() {
    this.delay = new Delay(this, $("delay-note"));
    this.findOne = new FindOne(this, { score: $("one-score"), names: $("one-names"), note: $("one-note") });
    this.holdIt = new HoldIt(this, { note: $("hold-note"), chart: $("hold-chart") });
    $("delay-start").addEventListener("click", () => this.#train(this.delay));
    $("one-start").addEventListener("click", () => this.#train(this.findOne));
    $("one-reset").addEventListener("click", () => this.findOne.reset());
    $("hold-start").addEventListener("click", () => this.#train(this.holdIt, countOf($("hold-bars"), 1, 16)));
    $("midi").addEventListener("click", () => this.#useMidi());
    $("tap").addEventListener("pointerdown", (event) => {
      event.preventDefault();
      this.tap(event.timeStamp);
    });
    $("tap").addEventListener("keydown", (event) => {
      if (event.key === "Enter" && !event.repeat) this.tap(event.timeStamp);
    });
  }

  async #train(trainer, ...options) {
    if (this.training) this.endTraining(this.training);
    this.player.stop();
    this.training = trainer;
    $("tap").disabled = false;
    $("play").textContent = "Stop";
    $("tap").focus({ preventScroll: true });
    await trainer.start(...options);
  }

  endTraining(trainer) {
    if (this.training !== trainer) return;
    this.training = null;
    $("tap").disabled = true;
    $("play").textContent = "Play";
    this.player.stop();
    trainer.end();
  }

  tap(timeStamp) {
    if (!this.training || !this.player.mixer) return;
    $("tap").classList.add("hit");
    setTimeout(() => $("tap").classList.remove("hit"), 90);
    const at = this.player.contextTimeAt(timeStamp);
    this.training.tap(this.training === this.delay ? at : at - this.delay.value);
  }

  // The song time of a tap. The first beat may be tapped a little early, while the count-in still runs.
  songAtTap(contextTime) {
    const { scheduler } = this.player;
    if (!scheduler) return null;
    const early = scheduler.musicAt - contextTime;
    if (early > 0 && early < EARLIEST_TAP_S) return scheduler.run.begin - early * scheduler.run.speed;
    return scheduler.songAt(contextTime);
  }

  barNow() {
    const song = this.player.scheduler?.songAt(this.player.heardAt()) ?? null;
    return song === null ? null : (positionAt(this.reading, song)?.bar ?? null);
  }

  async playRiddle(options) {
    await this.#ready();
    this.player.mixer.set({ track: 0, guide: MOST_GUIDE_BOOST });
    await this.player.start(this.reading, this.track, options);
    this.#playing("Riddle");
  }

  async reveal(startBar, endBar) {
    this.player.mixer.set({ ...this.#levels(), track: Math.max(0.3, this.#levels().track) });
    await this.player.start(this.reading, this.track, { startBar, endBar, clicks: clickSet("beats"), guide: "plan" });
    this.#playing("The answer");
  }

  async playExercise(options) {
    await this.#ready();
    const startBar = this.loop ? this.loop.first : Math.max(0, this.reading.bars.findIndex((bar) => bar.firstCount === 1));
    await this.player.start(this.reading, this.track, { startBar, loop: this.loop, speed: this.speed, guide: "plan", ...options });
    this.#playing("Hold it");
  }

  async #useMidi() {
    if (!navigator.requestMIDIAccess) {
      $("delay-note").textContent = "This browser knows no MIDI. Keys and touch work.";
      return;
    }
    try {
      const access = await navigator.requestMIDIAccess();
      const listen = () => {
        for (const input of access.inputs.values()) input.onmidimessage = (event) => this.midi(event);
      };
      access.onstatechange = listen;
      listen();
      $("delay-note").textContent = `${access.inputs.size} MIDI inputs: their notes count as taps.`;
    } catch {
      $("delay-note").textContent = "MIDI was not allowed. Keys and touch work.";
    }
  }

  midi(event) {
    const [status, , velocity] = event.data;
    if ((status & 0xf0) === 0x90 && velocity > 0) this.tap(event.timeStamp);
  }

  // ---- corrections

  #wireFix() {
    $("fix-earlier").addEventListener("click", () => this.#correct({ kind: "shift", beats: -1 }));
    $("fix-later").addEventListener("click", () => this.#correct({ kind: "shift", beats: 1 }));
    $("fix-half").addEventListener("click", () => this.#correct({ kind: "half" }));
    $("fix-double").addEventListener("click", () => this.#correct({ kind: "double" }));
    $("fix-undo").addEventListener("click", () => this.#recorrect(this.corrections.slice(0, -1), "Undone."));
    $("fix-tap").addEventListener("click", (event) => this.#oneIsHere(event.timeStamp));
    $("command-copy").addEventListener("click", () => this.#copyCommand());
  }

  #oneIsHere(timeStamp) {
    const song = this.player.playing ? this.songAtTap(this.player.contextTimeAt(timeStamp) - this.delay.value) : null;
    const place = song === null ? null : nearestPlace(this.reading, song);
    if (!place) {
      $("fix-note").textContent = "Play the song first, and press this when you hear the 1. Or choose the beat below.";
      return;
    }
    const beat = this.#nearestBeat(song);
    this.oneAtBeat(beat);
  }

  #nearestBeat(song) {
    const { time } = this.reading;
    const k = Math.max(0, lastAtOrBefore(time, song));
    return k + 1 < time.length && time[k + 1] - song < song - time[k] ? k + 1 : k;
  }

  oneAtBeat(beat) {
    const beats = shiftToOne(this.reading, beat);
    if (beats === 0) $("fix-note").textContent = "That is where the page has the 1 already.";
    else this.#correct({ kind: "shift", beats });
  }

  #correct(correction) {
    const words = { half: "Half the tempo.", double: "Double the tempo.", shift: `The 1 moved by ${Math.abs(correction.beats)} ${Math.abs(correction.beats) === 1 ? "beat" : "beats"}, ${correction.beats < 0 ? "earlier" : "later"}.` };
    this.#recorrect([...this.corrections, correction], words[correction.kind]);
  }

  #recorrect(corrections, words) {
    const song = this.reading.bars[this.selected].start;
    this.player.stop();
    this.corrections = corrections;
    this.reading = corrected(this.data, corrections);
    this.selected = positionAt(this.reading, song + 0.01)?.bar ?? 0;
    this.loop = null;
    this.misreading = null;
    this.#drawAll();
    this.#drawFixBar();
    const guide = this.reading.guides[0];
    const falls = guide ? ` A now falls on ${guide.places.map((place) => place.label).join(", ") || "no steady place"}.` : "";
    $("fix-note").textContent = `${words}${falls}`;
  }

  // The selected bar's beats as buttons: which of them is the 1?
  #drawFixBar() {
    if (!this.reading.bars.length) return;
    const bar = this.reading.bars[this.selected];
    const buttons = Array.from({ length: bar.n }, (_, k) => {
      const count = this.reading.count[bar.first + k];
      return el("button", { type: "button", class: "place on-beat", "data-beat": bar.first + k, "aria-pressed": count === 1, "aria-label": `count ${count} of ${barName(this.reading, this.selected)} is the 1`, on: { click: () => this.oneAtBeat(bar.first + k) } }, String(count));
    });
    $("fix-drawing").replaceChildren(el("p", {}, `In ${barName(this.reading, this.selected)}, the 1 is on the count that now reads:`), el("div", { class: "places" }, ...buttons));
  }

  #drawCommand() {
    const words = commandWords(this.data.command, this.reading, this.corrections);
    $("command").replaceChildren(...words.flatMap((word) => [el("span", { class: "word" }, word), " "]));
    $("fix-undo").disabled = this.corrections.length === 0;
  }

  async #copyCommand() {
    try {
      await navigator.clipboard.writeText($("command").textContent.trim());
      this.#say("Copied");
      $("command-copy").textContent = "Copied";
    } catch {
      getSelection().selectAllChildren($("command"));
      $("command-copy").textContent = "Marked: copy it with the keyboard";
    }
  }

  #drawReadings() {
    const items = this.data.alternatives.map((other) => el("li", {}, `${other.reading} (${percent(other.probability)}); hint: `, el("code", {}, other.hint)));
    $("readings").replaceChildren(...(items.length ? items : [el("li", {}, "No other reading came near.")]));
  }
}

function barUnder(target) {
  const button = target?.closest?.(".bar");
  return button ? Number(button.dataset.bar) : null;
}

function rangeOf({ from, to }) {
  return { first: Math.min(from, to), last: Math.max(from, to) };
}

function monoOf(buffer) {
  const mono = new Float32Array(buffer.length);
  for (let c = 0; c < buffer.numberOfChannels; c += 1) {
    const channel = buffer.getChannelData(c);
    for (let k = 0; k < mono.length; k += 1) mono[k] += channel[k] / buffer.numberOfChannels;
  }
  return mono;
}

// The first sample near a time that is clearly louder than silence, in seconds.
function onsetNear(samples, rate, t) {
  const from = Math.max(0, Math.round((t - 0.05) * rate));
  const to = Math.min(samples.length, Math.round((t + 0.05) * rate));
  const peak = samples.subarray(from, to).reduce((most, x) => Math.max(most, Math.abs(x)), 0);
  for (let k = from; k < to; k += 1) if (Math.abs(samples[k]) > 0.1 * peak && peak > 1e-4) return k / rate;
  return Infinity;
}

const app = new App(JSON.parse($("data").textContent));
app.start();
// For checks from outside: the state, and samples of what would play.
window.pulsefindPage = { app, clickSet, placeTime };
