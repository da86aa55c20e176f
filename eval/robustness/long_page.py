"""Measures the page of a long track in Chromium: `python -m eval page`.

The track is the demo song, repeated to ten minutes and analysed like any recording; the page is what `pulsefind page`
writes. Opening, scrolling and playing are timed by the browser's own clock (Navigation Timing, Long Tasks). Each
measurement is repeated in a fresh browser; the best is what the page costs, the rest what else the machine was doing.
"""

from __future__ import annotations

import json
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright

from pulsefind.analysis import analyse
from pulsefind.core.records import Settings
from pulsefind.demo import RATE_HZ, make_song
from pulsefind.listen.audio import from_samples
from pulsefind.page.page import Recording, page_html
from pulsefind.page.pdf import find_browser

OPEN_LIMIT_MS, TASK_LIMIT_MS, ANSWER_LIMIT_MS = 2000.0, 50.0, 100.0
PHONE, LAPTOP = (360, 760), (1440, 900)

_FLAGS = ("--no-sandbox", "--disable-gpu", "--no-first-run", "--autoplay-policy=no-user-gesture-required")
_WATCH = """
window.longTasks = [];
window.paints = [];
new PerformanceObserver((list) => {
    for (const entry of list.getEntries()) window.paints.push(entry.duration);
}).observe({ type: "event", durationThreshold: 16 });
new PerformanceObserver((list) => {
    for (const entry of list.getEntries()) window.longTasks.push({ at: entry.startTime, ms: entry.duration });
}).observe({ type: "longtask", buffered: true });
"""
_STATE = """() => {
    const mark = performance.getEntriesByName("road drawn")[0];
    const paint = performance.getEntriesByName("first-contentful-paint")[0];
    const [visit] = performance.getEntriesByType("navigation");
    return JSON.stringify({
        paint: paint ? paint.startTime : null,
        drawn: mark ? mark.startTime : null,
        loaded: visit.loadEventEnd,
        bars: window.pulsefindPage.app.reading.bars.length,
        tasks: window.longTasks,
        paints: window.paints,
        now: performance.now(),
        heap: performance.memory.usedJSHeapSize,
    });
}"""
_SCROLL_STEPS, _SCROLL_PX = 80, 240
_HISS = 0.003


@dataclass(frozen=True, slots=True)
class Visit:
    """One opening of a page: times in ms from the start of the navigation, longest tasks in ms, memory in MB."""

    paint_ms: float
    drawn_ms: float
    loaded_ms: float
    open_task_ms: float
    scroll_task_ms: float
    play_task_ms: float
    heap_mb: float
    opened_mb: float
    playing_mb: float
    answer_ms: float
    bars: int


def measured(minutes: float, times: int, page: Path | None) -> bool:
    """Make the page, or take this one, open it several times at each width and print a table; is a limit missed?"""
    with tempfile.TemporaryDirectory(prefix="pulsefind-") as folder:
        path = page or _write_page(Path(folder) / "long.html", minutes)
        print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB", flush=True)
        missed = [_measured(path, size, times) for size in (PHONE, LAPTOP)]
    return any(missed)


def _write_page(path: Path, minutes: float) -> Path:
    samples, _ = make_song()
    times = int(np.ceil(minutes * 60 * RATE_HZ / len(samples)))
    frames = np.tile(samples, (times, 1))[: int(minutes * 60 * RATE_HZ)]
    # Hiss, without which a synthetic song packs far smaller than music does.
    frames = (frames + _HISS * np.random.default_rng(0).normal(size=frames.shape)).astype(np.float32)
    audio = from_samples(frames, RATE_HZ)
    analysis = analyse(audio, Settings(use_cache=False))
    path.write_text(page_html(analysis, audio, Recording(frames, "", ""), "long.wav", "long.html"), encoding="utf-8")
    return path


def _measured(path: Path, size: tuple[int, int], times: int) -> bool:
    visits = []
    with sync_playwright() as running:
        for _ in range(times):
            browser = running.chromium.launch(executable_path=find_browser(), args=list(_FLAGS))
            visits.append(_visit(browser, path, size))
            browser.close()
    print(f"{size[0]} px wide, {visits[0].bars} bars, {times} visits: best (median)")
    rows = (
        ("first paint, ms", "paint_ms"),
        ("the road drawn, ms", "drawn_ms"),
        ("loaded, recording included, ms", "loaded_ms"),
        ("longest task while opening, ms", "open_task_ms"),
        ("longest task while scrolling, still and playing, ms", "scroll_task_ms"),
        ("longest task in the first 3 s of playing, ms", "play_task_ms"),
        ("longest from a tap or key to the next paint, ms", "answer_ms"),
        ("script memory, MB", "heap_mb"),
        ("memory of the page's process, opened, MB", "opened_mb"),
        ("the same, playing, MB", "playing_mb"),
    )
    for name, field in rows:
        values = [getattr(visit, field) for visit in visits]
        print(f"  {name:<52}{min(values):8.0f} ({np.median(values):.0f})", flush=True)
    opened = max(min(v.drawn_ms for v in visits), min(v.loaded_ms for v in visits))
    slow = min(v.scroll_task_ms for v in visits) > TASK_LIMIT_MS or min(v.answer_ms for v in visits) > ANSWER_LIMIT_MS
    return opened > OPEN_LIMIT_MS or slow


def _visit(browser: Browser, path: Path, size: tuple[int, int]) -> Visit:
    page = browser.new_context(viewport={"width": size[0], "height": size[1]}).new_page()
    page.add_init_script(_WATCH)
    page.goto(path.as_uri())
    while (opened := json.loads(page.evaluate(_STATE)))["drawn"] is None:
        page.wait_for_timeout(50)
    page.wait_for_timeout(500)
    opened_mb = _process_mb(browser)
    scrolled_from = json.loads(page.evaluate(_STATE))["now"]
    _scroll(page)
    scrolled = json.loads(page.evaluate(_STATE))
    page.click("#play")
    page.wait_for_timeout(3000)
    played = json.loads(page.evaluate(_STATE))
    _scroll(page)
    both = json.loads(page.evaluate(_STATE))
    playing_mb = _process_mb(browser)
    _touch_everything(page)
    answered = json.loads(page.evaluate(_STATE))
    return Visit(
        opened["paint"] or np.inf,
        opened["drawn"],
        opened["loaded"],
        _longest(opened, 0.0),
        max(_longest(scrolled, scrolled_from), _longest(both, played["now"])),
        _longest(played, scrolled["now"]),
        scrolled["heap"] / 1e6,
        opened_mb,
        playing_mb,
        max(answered["paints"], default=0.0),
        opened["bars"],
    )


def _touch_everything(page: Page) -> None:
    """While it plays: every view, several places on the road, a loop, the stage."""
    page.evaluate("window.scrollTo(0, 0)")
    road = page.locator(".road-drawing").bounding_box()
    if road is None:
        return
    for view in ("kit", "drills", "ear", "desk"):
        page.click(f"#tab-{view}")
        page.wait_for_timeout(100)
    for share in (0.2, 0.8, 0.5):
        page.mouse.click(road["x"] + share * road["width"], road["y"] + road["height"] / 2)
        page.wait_for_timeout(200)
    page.focus("#road")
    for key in ("ArrowRight", "Shift+ArrowRight", "Shift+ArrowRight", "Escape"):
        page.keyboard.press(key)
        page.wait_for_timeout(100)
    page.click("#stage-open")
    page.wait_for_timeout(300)
    page.keyboard.press("Escape")
    page.wait_for_timeout(300)


def _longest(state: dict[str, list[dict[str, float]]], since_ms: float) -> float:
    """The longest task in ms; the browser reports none below 50 ms."""
    return max((task["ms"] for task in state["tasks"] if task["at"] >= since_ms), default=0.0)


def _scroll(page: Page) -> None:
    """Down the whole page and up again, in steps of a wheel."""
    page.mouse.move(200, 400)
    for step in range(2 * _SCROLL_STEPS):
        page.mouse.wheel(0, _SCROLL_PX if step < _SCROLL_STEPS else -_SCROLL_PX)
        page.wait_for_timeout(16)


def _process_mb(browser: Browser) -> float:
    """Memory held by the largest renderer process."""
    session = browser.new_browser_cdp_session()
    found = session.send("SystemInfo.getProcessInfo")["processInfo"]
    return max(_resident_mb(int(process["id"])) for process in found if process["type"] == "renderer")


def _resident_mb(process_id: int) -> float:
    status = Path(f"/proc/{process_id}/status").read_text(encoding="ascii")
    line = next(line for line in status.splitlines() if line.startswith("VmRSS:"))
    return int(line.split()[1]) / 1024
