// On stage: a giant count in the middle that moves with the track, under it what to follow with its places lit as they
// come, above it the bar and what changes next. Read from two metres; driven by keys, pedals and pads.

import { painted } from "./app.mjs";
import { countLine } from "./countline.mjs";
import { $, called, colourOf, leading, littleMotion, setText, svg } from "./drawing.mjs";
import { guidePlacesIn, nextChange, nextDoubt, patternPhase, planParts, positionAt } from "./reading.mjs";

const LIT_BEATS = 0.3;
const SWELL = 0.1;
const SOON_BARS = 2;
const MOST_LETTERS = 24;
const WIDE_PX = 720;
const NARROW_PX = 400;
const FORWARD = [" ", "Enter", "PageDown", "ArrowDown", "ArrowRight"];
const BACK = ["Backspace", "PageUp", "ArrowUp", "ArrowLeft"];

export class StageView {
  constructor(app) {
    this.app = app;
    this.box = $("stage");
    $("stage-open").addEventListener("click", () => this.open());
    $("stage-leave").addEventListener("click", () => this.close());
    $("stage-start").addEventListener("click", () => app.toggle());
    $("stage-back").addEventListener("click", () => this.#back());
    this.box.addEventListener("keydown", (event) => this.#key(event));
    document.addEventListener("fullscreenchange", () => {
      if (!document.fullscreenElement && this.fullscreen) this.close();
    });
    app.on("moved", ({ at }) => this.#move(at));
    app.on("lead", (count) => this.#lead(count));
    app.on("place", (bar) => this.#rest(bar));
    app.on("loop", () => this.#rest(app.selected));
    // A drill is tapped, and a riddle must not give itself away.
    app.on("training", (going) => {
      $("stage-open").disabled = going;
    });
    app.on("reading", () => this.draw());
    app.on("playing", () => setText("stage-start", "Stop"));
    app.on("stopped", () => {
      setText("stage-start", "Start");
      this.#rest(app.selected);
    });
  }

  draw() {
    if (!this.app.reading.bars.length) return;
    $("stage-open").disabled = false;
    this.shown = null;
    this.#drawStripe();
    this.#rest(this.app.selected);
  }

  get isOpen() {
    return !this.box.hidden;
  }

  async open() {
    this.box.hidden = false;
    document.body.classList.add("staged");
    this.shown = null;
    this.#rest(this.app.barNow() ?? this.app.selected);
    this.#fit();
    $("stage-start").focus();
    // The stage is seen before the browser begins to change over to the whole screen.
    await painted();
    if (!this.isOpen) return;
    try {
      await document.documentElement.requestFullscreen();
      this.fullscreen = true;
    } catch {
      // A browser that doesn't give the whole screen: the window is enough.
    }
  }

  async close() {
    if (!this.isOpen) return;
    this.box.hidden = true;
    document.body.classList.remove("staged");
    // To be given the focus the page has to be laid out: after it is seen.
    await painted();
    if (!this.isOpen) $("stage-open").focus();
    if (this.fullscreen && document.fullscreenElement) await document.exitFullscreen();
    this.fullscreen = false;
    this.app.tell("off stage");
  }

  fit() {
    if (this.isOpen) this.#fit();
  }

  #fit() {
    this.shown = null;
    this.lineKey = null;
    this.#rest(this.app.barNow() ?? this.app.selected);
  }

  // ---- what is seen

  // Standing still: the bar that it would start from.
  #rest(bar) {
    if (!this.isOpen || this.app.player.playing) return;
    const { reading } = this.app;
    const at = positionAt(reading, reading.bars[bar].start);
    this.#show(at);
    this.#light(at);
    this.#swell(1);
  }

  #lead(count) {
    if (!this.isOpen) return;
    if (count) setText("stage-count", count);
    setText("stage-bar", "count-in");
  }

  #move(at) {
    if (!this.isOpen) return;
    this.#show(at);
    this.#light(at);
    this.#swell(at.within);
  }

  #show(at) {
    const { reading } = this.app;
    setText("stage-count", String(reading.count[at.beat]));
    this.box.classList.toggle("on-one", reading.count[at.beat] === 1);
    if (this.shown === at.bar) return;
    this.shown = at.bar;
    setText("stage-bar", reading.bars[at.bar].number ? `bar ${reading.bars[at.bar].number}` : "pickup");
    this.#showWhat(at.bar);
    this.#showNext(at.bar);
    const x = `${((100 * at.bar) / reading.bars.length).toFixed(2)}%`;
    this.stripeNow?.setAttribute("x", x);
  }

  #showWhat(bar) {
    const { reading } = this.app;
    const guide = reading.plan[bar];
    const alone = reading.kinds[bar] === "alone";
    this.box.classList.toggle("alone-now", alone);
    this.box.classList.toggle("doubt-now", nextDoubt(reading, bar)?.inBars === 0);
    setText("stage-what", guide >= 0 ? called(reading, guide) : leading(reading, bar));
    const places = guide < 0 ? [] : guidePlacesIn(reading, guide, bar);
    const key = `${guide}:${reading.bars[bar].full}:${guide < 0 ? 0 : patternPhase(reading.bars[bar], reading.guides[guide].patternBars)}`;
    if (key !== this.lineKey || !$("stage-line").firstChild) this.#drawLine(bar, guide, places);
    this.lineKey = key;
    // More than can be read at a glance stands on the line only.
    const labels = places.map((place) => place.label).join("  ");
    setText("stage-places", $("stage-what").textContent.length + labels.length > MOST_LETTERS ? "" : labels);
  }

  #drawLine(bar, guide, places) {
    const { reading } = this.app;
    this.lineWidth = window.innerWidth < window.innerHeight ? NARROW_PX : WIDE_PX;
    const line = countLine(reading.bars[bar], places, reading.guides[guide], guide, {
      width: this.lineWidth,
    });
    this.pointer = svg("path", { class: "line-now", d: "M0 34v24" });
    line.append(this.pointer);
    $("stage-line").replaceChildren(line);
    this.places = places;
    this.lamps = [...line.querySelectorAll(".lamp")];
  }

  // The next change, or a doubt that comes before it; what is near stands out.
  #showNext(bar) {
    const { reading } = this.app;
    const change = nextChange(reading, bar);
    const doubt = nextDoubt(reading, bar);
    const words = [];
    if (doubt?.inBars === 0) words.push("the 1 is in doubt here");
    else if (doubt && (!change || doubt.inBars <= change.inBars))
      words.push(`the 1 in doubt ${inBars(doubt.inBars)}`);
    if (change) words.push(`${leading(reading, change.bar)} ${inBars(change.inBars)}`);
    if (!change)
      words.push(
        `${reading.bars.length - bar} ${reading.bars.length - bar === 1 ? "bar" : "bars"} to the end`,
      );
    setText("stage-next", words.join(", then "));
    const soonest = Math.min(change?.inBars ?? Infinity, doubt?.inBars ?? Infinity);
    this.box.classList.toggle("soon", soonest <= SOON_BARS);
  }

  // A place is lit from its time on for a part of a beat.
  #light(at) {
    const { full } = this.app.reading.bars[at.bar];
    this.places.forEach((place, k) => {
      const since = at.beatsFromOne - place.pos;
      this.lamps[k].classList.toggle("lit", since >= 0 && since < LIT_BEATS);
    });
    const beats = littleMotion() ? Math.floor(at.beatsFromOne) : at.beatsFromOne;
    const x = 20 + (beats / full) * (this.lineWidth - 40);
    this.pointer.setAttribute("transform", `translate(${x.toFixed(1)} 0)`);
  }

  // The count swells on the beat and sinks towards the next.
  #swell(within) {
    const size = littleMotion() ? 1 : 1 + SWELL * (1 - Math.min(1, within)) ** 3;
    $("stage-count").style.setProperty("--swell", size.toFixed(3));
  }

  #drawStripe() {
    const { reading } = this.app;
    const n = reading.bars.length;
    const share = (bars) => `${((100 * bars) / n).toFixed(2)}%`;
    const parts = planParts(reading).map(({ first, last, guide, kind }) =>
      svg("rect", {
        class: kind === "alone" ? "stripe-alone" : "surface-edge",
        style: { "--mark": guide >= 0 ? colourOf(guide) : "var(--dim)" },
        x: share(first),
        width: share(last - first + 1),
        y: 4,
        height: 8,
      }),
    );
    this.stripeNow = svg("rect", { class: "stripe-now", x: 0, y: 0, width: 5, height: 16 });
    $("stage-stripe").replaceChildren(
      svg("svg", { width: "100%", height: 16, "aria-hidden": "true" }, ...parts, this.stripeNow),
    );
  }

  // ---- what drives it

  // Back to the start of the stretch; from its first bar, to the one before.
  #back() {
    const { app } = this;
    const parts = planParts(app.reading);
    const bar = app.barNow() ?? app.selected;
    const here = parts.findIndex((part) => part.first <= bar && bar <= part.last);
    const part = bar - parts[here].first < 1 ? parts[Math.max(0, here - 1)] : parts[here];
    app.goTo(part.first);
  }

  #key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    const onButton = event.target.closest("button") && (event.key === "Enter" || event.key === " ");
    if (event.key === "Escape") this.close();
    else if (event.key === "Tab") this.#keepFocus(event);
    else if (FORWARD.includes(event.key) && !onButton) this.app.toggle();
    else if (BACK.includes(event.key)) this.#back();
    else return;
    event.stopPropagation();
    if (event.key !== "Tab" && !onButton) event.preventDefault();
  }

  // Tab goes round the stage's own buttons: what lies behind it is not seen.
  #keepFocus(event) {
    const buttons = [...this.box.querySelectorAll("button")];
    const k = buttons.indexOf(document.activeElement) + (event.shiftKey ? -1 : 1);
    buttons[(k + buttons.length) % buttons.length].focus();
    event.preventDefault();
  }
}

function inBars(n) {
  return n === 1 ? "from the next bar" : `in ${n} bars`;
}
