"""Pictures of every moment of the page, to be looked at: `python -m eval moments FOLDER`.

Each at five sizes, dark and bright: at the desk, at the kit, on stage, the drills while they run, putting it right, the
take; and a song that is hard to follow. A page that is wider than its window, or that says something to the browser's
console, is told, and so is what axe finds where it is installed (`npm --prefix tests/js install`).
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright

from eval.robustness.browser import FLAGS
from eval.take.simulation import Player, simulate_take
from pulsefind.analysis import analyse
from pulsefind.core.records import Analysis, Audio, Confidence, Settings
from pulsefind.demo import BAND, RATE_HZ, TITLE, make_song
from pulsefind.guides.finding import alone_stretches
from pulsefind.guides.plan import plan_for
from pulsefind.listen.audio import from_samples
from pulsefind.page.page import Recording, page_html
from pulsefind.page.pdf import find_browser
from pulsefind.page.take_view import read_take_review
from pulsefind.take.review import review_take
from pulsefind.take.to_json import review_to_json

SIZES = ((390, 844), (844, 390), (768, 1024), (1440, 900), (1920, 1080))
LIGHTS = ("dark", "light")

_AXE = Path("tests/js/node_modules/axe-core/axe.min.js")
_FAKE_MICROPHONE = ("--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream")
_BEEPS_MS, _COUNTED_IN_MS = 7000, 4000
# The microphone is opened through a node that browsers have to keep, and call old (pulsefind/web/PAGE.md).
_EXPECTED = "ScriptProcessorNode is deprecated"


def _view(name: str) -> Callable[[Page], None]:
    return lambda page: page.click(f"#tab-{name}")


def _on_stage(page: Page) -> None:
    page.evaluate("window.pulsefindPage.app.select(11)")
    page.click("#stage-open")


def _playing_on_stage(page: Page) -> None:
    _on_stage(page)
    page.click("#stage-start")
    page.wait_for_timeout(_COUNTED_IN_MS)


def _drill(start: str) -> Callable[[Page], None]:
    def begin(page: Page) -> None:
        page.click("#tab-drills")
        page.click(start)
        page.wait_for_timeout(_COUNTED_IN_MS)

    return begin


def _recorded(page: Page) -> None:
    page.click("#tab-drills")
    page.click("#record-start")
    page.wait_for_timeout(_BEEPS_MS)
    page.click("#record-start")


def _put_right(page: Page) -> None:
    page.click("#tab-ear")
    page.click("#fix-later")
    page.click("[data-nudge='10']")


def _looped(page: Page) -> None:
    page.click("#tab-kit")
    page.click("#loop-set")


EASY: dict[str, Callable[[Page], None]] = {
    **{name: _view(name) for name in ("desk", "kit", "drills", "ear", "take")},
    "kit with a loop": _looped,
    "stage": _on_stage,
    "stage, playing": _playing_on_stage,
    "riddle": _drill("#one-start"),
    "holding": _drill("#hold-start"),
    "recorded": _recorded,
    "put right": _put_right,
}
HARD = {name: EASY[name] for name in ("desk", "kit", "ear", "stage")}


def moments(folder: Path) -> Iterator[str]:
    """Draw all of them into the folder; what is wrong, a line each, as it is found."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="pulsefind-") as made, sync_playwright() as running:
        easy, hard = _pages(Path(made))
        browser = running.chromium.launch(executable_path=find_browser(), args=[*FLAGS, *_FAKE_MICROPHONE])
        for song, page_path, seen in (("easy", easy, EASY), ("hard", hard, HARD)):
            for name, reach in seen.items():
                for size in SIZES:
                    for light in LIGHTS:
                        title = f"{song}, {name}, {size[0]}x{size[1]}, {light}"
                        yield from _moment(browser, page_path, reach, size, light, folder / f"{title}.png")
        browser.close()


def _moment(
    browser: Browser, page_path: Path, reach: Callable[[Page], None], size: tuple[int, int], light: str, out: Path
) -> Iterator[str]:
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme="dark" if light == "dark" else "light",
        bypass_csp=True,
        has_touch=size[0] < 1000,
    )
    page, said = context.new_page(), list[str]()
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(page_path.as_uri())
    page.wait_for_timeout(200)
    reach(page)
    page.wait_for_timeout(300)
    page.screenshot(path=out)
    if (wide := page.evaluate("document.documentElement.scrollWidth")) > size[0]:
        said.append(f"{wide} px wide")
    if _AXE.exists():
        page.evaluate(_AXE.read_text(encoding="utf-8"))
        said += page.evaluate("axe.run().then(({ violations }) => violations.map(({ id, help }) => `${id}: ${help}`))")
    context.close()
    yield from (f"{out.stem}: {words}" for words in said if _EXPECTED not in words)


def _pages(folder: Path) -> tuple[Path, Path]:
    """The demo song's page with a simulated take, and that of a song without anything to follow, its 1 in doubt."""
    samples, _ = make_song()
    audio = from_samples(samples, RATE_HZ)
    easy = analyse(audio, Settings(use_cache=False))
    hard = replace(easy, guides=(), alone=alone_stretches((), easy.bars), plan=plan_for((), easy.bars))
    hard = replace(hard, misreadings=(), confidence=Confidence(0.45, 0.55, 0.97))
    take = {**_take(easy, folder / "take.json"), "options": []}
    recording = Recording(samples, TITLE, BAND)
    first = _page(folder / "easy.html", easy, audio, recording, take)
    return first, _page(folder / "hard.html", hard, audio, recording)


def _page(
    path: Path, analysis: Analysis, audio: Audio, recording: Recording, take: dict[str, object] | None = None
) -> Path:
    path.write_text(page_html(analysis, audio, recording, "song.flac", "song.html", take=take), encoding="utf-8")
    return path


def _take(analysis: Analysis, path: Path) -> dict[str, object]:
    player = Player(mean_ms=-9.0, drift_ms_per_bar=-20.0, correction="even", missed=0.03)
    played = simulate_take(analysis, player, np.random.default_rng(4)).hits
    review = review_take(analysis, played, Path("take.mid"), Path("song.flac"), starts_at_s=0.0, latency_ms=0.0)
    path.write_text(review_to_json(review), encoding="utf-8")
    return dict(read_take_review(path, analysis))
