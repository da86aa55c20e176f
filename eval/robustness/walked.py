"""A drummer's way through the room in a real browser, step by step: dropped, watched, corrected, played, packed.

Nothing is typed. Each step fails with a sentence where what it waits for never comes.
"""

from __future__ import annotations

import base64
import contextlib
import io
import json
import time
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import soundfile
from playwright.sync_api import Browser, Error, Page, Playwright

from eval.robustness.browser import FLAGS as QUIET
from eval.robustness.rooms import RunningRoom
from pulsefind.page.pdf import find_browser

RATE_HZ = 48000  # a browser's own (Web Audio on most machines, from memory)
FLAGS = (
    *QUIET,
    "--use-fake-ui-for-media-stream",
    "--use-fake-device-for-media-stream",
)

_DROP = """async (files) => {
    const carried = new DataTransfer();
    for (const { name, text } of files) {
        const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
        carried.items.add(new File([bytes], name));
    }
    for (const type of ["dragenter", "dragover", "drop"])
        document.body.dispatchEvent(new DragEvent(type, { dataTransfer: carried, bubbles: true, cancelable: true }));
}"""


@contextlib.contextmanager
def fed_browser(driver: Playwright, bpm: float, path: Path) -> Iterator[Browser]:
    """A browser whose microphone hears a stroke on every beat of a steady tempo; path: a file for its sound."""
    rng = np.random.default_rng(2)
    samples = 0.0005 * rng.normal(size=round(40 * 60 / bpm * RATE_HZ))
    for k in range(40):
        first = round(k * 60 / bpm * RATE_HZ) + 200
        part = samples[first : first + 6000]
        part += 0.5 * np.exp(-np.arange(len(part)) / 700) * rng.normal(size=len(part))
    soundfile.write(path, np.clip(samples, -1, 1), RATE_HZ, subtype="PCM_16")
    arguments = [*FLAGS, f"--use-file-for-fake-audio-capture={path}"]
    chromium = driver.chromium.launch(executable_path=find_browser(), args=arguments)
    try:
        yield chromium
    finally:
        chromium.close()


def arrives(page: Page, condition: str, timeout_s: float = 40.0) -> None:
    """Wait for a condition, also behind a change of the page."""
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        with contextlib.suppress(Error):
            if page.evaluate(f"Boolean({condition})"):
                return
        page.wait_for_timeout(20)
    raise AssertionError(f"never came true: {condition}")


def drop(page: Page, files: Sequence[tuple[str, bytes]]) -> None:
    """Drop files, by name and contents, into the window."""
    page.evaluate(_DROP, [{"name": name, "text": base64.b64encode(data).decode()} for name, data in files])


def watch(page: Page, song: str = ".song", timeout_s: float = 60.0) -> list[str]:
    """Watch a song until it is heard; the words that the window showed of it, one after the other."""
    words: list[str] = []
    deadline = time.monotonic() + timeout_s
    while page.get_attribute(song, "data-state") != "ready":
        now = page.inner_text(f"{song} .song-state")
        words += [now] if now not in words else []
        assert time.monotonic() < deadline, f"not heard after {timeout_s:.0f} s: {now}"
        page.wait_for_timeout(50)
    return words


def play(page: Page) -> float:
    """Start and stop the song in its page; the length of what the browser plays, in seconds."""
    page.click("#play")
    arrives(page, "window.pulsefindPage.app.player.playing && window.pulsefindPage.app.track")
    length_s = float(page.evaluate("window.pulsefindPage.app.track.buffer.duration"))
    page.click("#play")
    return length_s


def move_the_1(page: Page) -> None:
    """Put the 1 a beat later; gives back when the page shows the song as it was heard with that."""
    page.click("#tab-ear")
    page.click("#fix-later")
    arrives(page, "document.getElementById('room-note').textContent.startsWith('Saved')")
    arrives(page, "window.pulsefindPage.app.data.known.the_1 && !window.pulsefindPage.app.corrections.length")
    arrives(page, "!document.getElementById('room-undo').disabled")


def record(page: Page, seconds: float) -> str:
    """Record a take in the page and have it reviewed; what the page then says of it.

    Raises
    ------
    AssertionError
        with the room's words where it couldn't be reviewed.
    """
    page.click("#tab-drills")
    page.click("#record-start")
    arrives(page, "window.pulsefindPage.app.player.playing")
    page.wait_for_timeout(round(1000 * seconds))
    page.click("#record-start")
    arrives(page, "!document.getElementById('record-review').disabled")
    page.click("#record-review")
    reviewed = "document.getElementById('take-verdict')?.textContent"
    told = "document.getElementById('record-note')?.textContent"
    arrives(page, f"{reviewed} || ({told} && !{told}.endsWith('...'))")
    assert page.locator("#take-verdict").count(), page.inner_text("#record-note")
    return page.inner_text("#take-verdict")


def made(room: RunningRoom, song: str, what: str) -> bytes:
    """What the room makes of a song: its sheet, a click on the 1, everything in one archive."""
    asked = {"on": "1", "kind": "wav", "speed": 100} if what == "click" else {}
    status, body = room.post(f"songs/{song}/make", what=what, **asked)
    assert status == 200, body
    return room.ask("GET", f"files/{json.loads(body)['file']}")[2]


def packed(room: RunningRoom, song: str) -> list[str]:
    """The names in a song's archive."""
    return zipfile.ZipFile(io.BytesIO(made(room, song, "archive"))).namelist()
