"""A first time in the room, by the clock: the command, the demo song, its page, the click. `python -m eval room-first`.

Installing comes before, and is timed by whoever does it. Pictures of what a person sees on the way are kept if asked.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from eval.robustness.rooms import RunningRoom
from eval.robustness.walked import FLAGS, arrives, watch
from pulsefind.page.pdf import find_browser

SIZES = ((360, 740), (820, 1180), (1280, 800), (1920, 1080))  # a phone, a tablet, a laptop, a screen: judged
LIGHTS = ("dark", "light")


def first_time(shots: Path | None) -> list[str]:
    """Walk it once; a line for each step with the seconds since the command was typed."""
    with tempfile.TemporaryDirectory(prefix="pulsefind-") as made, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=find_browser(), args=[*FLAGS])
        begun = time.monotonic()
        lines: list[str] = []

        def now(what: str) -> None:
            lines.append(f"{time.monotonic() - begun:5.1f} s  {what}")

        room = RunningRoom(Path(made) / "room", Path(made) / "cache")
        try:
            page = browser.new_page()
            page.goto(room.address)
            now("the room is open")
            _shoot(browser, room.address, shots, "1 empty")
            begun_again = time.monotonic()
            page.click("#take-demo")
            arrives(page, "document.querySelector('.song')")
            now("the demo song is listed")
            watch(page)
            now("it is heard")
            page.click("a.go")
            arrives(page, "document.querySelector('.fact')")
            now("its page is open")
            page.click("#play")
            arrives(page, "window.pulsefindPage.app.player.playing && window.pulsefindPage.app.track")
            now("it plays with the click")
            lines.append(f"{time.monotonic() - begun_again:5.1f} s  from the press on the demo song to the click")
            _after(page, browser, room, shots)
        finally:
            room.end()
            browser.close()
        return lines


def _after(page: Page, browser: Browser, room: RunningRoom, shots: Path | None) -> None:
    """Pictures of the list, with everything that can be had, and of the page."""
    if shots is None:
        return
    song = page.url.split("#")[0]
    page.click("#play")
    _shoot(browser, room.address, shots, "2 heard", ".song-more summary")
    _shoot(browser, song, shots, "3 page")


def _shoot(browser: Browser, address: str, shots: Path | None, name: str, press: str = "") -> None:
    if shots is None:
        return
    shots.mkdir(parents=True, exist_ok=True)
    for width, height in SIZES:
        for light in LIGHTS:
            context = browser.new_context(
                viewport={"width": width, "height": height}, color_scheme="dark" if light == "dark" else "light"
            )
            page = context.new_page()
            page.goto(address)
            page.wait_for_timeout(400)
            if press:
                page.click(press)
            page.screenshot(path=shots / f"{name} {width} {light}.png")
            context.close()
