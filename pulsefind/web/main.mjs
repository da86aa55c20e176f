// The page: one state, its views, and which of them is seen.

import { beginAhead } from "./ahead.mjs";
import { App } from "./app.mjs";
import { clickSet } from "./clickset.mjs";
import { DeskView } from "./deskview.mjs";
import { $ } from "./drawing.mjs";
import { DrillView } from "./drillview.mjs";
import { EarView } from "./earview.mjs";
import { FirstSteps } from "./firststeps.mjs";
import { keep, kept } from "./keeping.mjs";
import { KitView } from "./kitview.mjs";
import { SHORT_PX } from "./layout.mjs";
import { heardPad } from "./midi.mjs";
import { placeTime } from "./reading.mjs";
import { wavOf } from "./recorder.mjs";
import { RecordView } from "./recordview.mjs";
import { RoomLink } from "./roomlink.mjs";
import { RoadView } from "./roadview.mjs";
import { SoundView } from "./soundview.mjs";
import { StageView } from "./stageview.mjs";
import { TakeView } from "./takeview.mjs";
import { Transport } from "./transport.mjs";

const VIEWS = ["desk", "kit", "drills", "ear", "take"];

class Page {
  constructor(data) {
    const app = new App(data);
    this.app = app;
    this.views = VIEWS.filter((view) => view !== "take" || data.take);
    this.drills = new DrillView(app);
    this.transport = new Transport(app);
    this.road = new RoadView(app);
    this.record = new RecordView(app);
    this.stage = new StageView(app);
    this.parts = [
      this.stage,
      this.record,
      this.road,
      new DeskView(app),
      new FirstSteps(app, (view) => this.show(view)),
      new SoundView(app),
      new KitView(app),
      new EarView(app),
      this.transport,
    ];
    if (data.take) this.parts.push(new TakeView(app));
  }

  start() {
    this.#wireTabs();
    this.#wireLight();
    for (const part of this.parts) part.draw();
    if (this.app.data.room) new RoomLink(this.app, this.record, (view) => this.show(view));
    if (!this.app.reading.bars.length) {
      for (const view of this.views.slice(1)) $(`tab-${view}`).disabled = true;
      return;
    }
    beginAhead(this.app);
    this.width = window.innerWidth;
    window.addEventListener("resize", () => this.#resized());
    this.app.on("off stage", () => this.#resized());
  }

  // On stage nothing else is seen: it waits, and is as wide as before when the whole screen is given back.
  #resized() {
    if (this.stage.isOpen) this.stage.fit();
    else if (window.innerWidth !== this.width) {
      this.width = window.innerWidth;
      this.#fit();
    }
  }

  #fit() {
    for (const part of this.parts) part.fit?.();
  }

  #wireTabs() {
    const tabs = this.views.map((view) => $(`tab-${view}`));
    tabs.forEach((tab, k) => {
      tab.addEventListener("click", () => this.show(this.views[k]));
      tab.addEventListener("keydown", (event) => {
        const to = tabByKey(event.key, k, tabs.length);
        if (to === null || tabs[to].disabled) return;
        event.preventDefault();
        this.show(this.views[to]);
        tabs[to].focus();
      });
    });
  }

  show(view) {
    for (const other of this.views) {
      $(`view-${other}`).hidden = other !== view;
      $(`tab-${other}`).setAttribute("aria-selected", String(other === view));
      $(`tab-${other}`).tabIndex = other === view ? 0 : -1;
    }
    if (this.app.training) this.app.endTraining(this.app.training);
    this.#fit();
    // On a telephone held across, a view begins right below the road: there is no room above it to spare.
    if (window.innerHeight < SHORT_PX) $("tabs").scrollIntoView();
  }

  #wireLight() {
    const asDevice = window.matchMedia("(prefers-color-scheme: light)").matches ? "bright" : "dark";
    const asMade = document.documentElement.dataset.light;
    setLight(kept("light", asMade === "auto" ? asDevice : asMade));
    $("light").addEventListener("click", () => {
      const light = document.documentElement.dataset.light === "dark" ? "bright" : "dark";
      keep("light", light);
      setLight(light);
    });
    $("print").addEventListener("click", () => {
      this.show("desk");
      window.print();
    });
  }
}

function setLight(light) {
  document.documentElement.dataset.light = light;
  $("light").textContent = light === "dark" ? "Bright stage" : "Dark room";
}

function tabByKey(key, k, n) {
  if (key === "Home") return 0;
  if (key === "End") return n - 1;
  const step = { ArrowRight: 1, ArrowLeft: -1 }[key];
  return step ? (k + step + n) % n : null;
}

const page = new Page(JSON.parse($("data").textContent));
page.start();
// For checks from outside: the state, and samples of what would play.
window.pulsefindPage = { page, app: page.app, wavOf, drills: page.drills, clickSet, heardPad, placeTime };
