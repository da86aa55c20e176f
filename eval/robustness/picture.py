"""The picture at the top of README.md: the page of the demo song as a browser shows it."""

from __future__ import annotations

import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from pulsefind.analysis import analyse
from pulsefind.core.records import Settings
from pulsefind.demo import BAND, RATE_HZ, TITLE, make_song
from pulsefind.listen.audio import from_samples
from pulsefind.page.page import Recording, page_html
from pulsefind.page.pdf import find_browser

PATH = Path("eval/pictures/page.png")
SIZE = (1280, 868)

_BAR = 9


def take_picture(path: Path = PATH) -> Path:
    """Write the picture: the demo song's page, bar 9 chosen, in the dark. Needs Chromium."""
    samples, _ = make_song()
    audio = from_samples(samples, RATE_HZ)
    analysis = analyse(audio, Settings(use_cache=False))
    html = page_html(analysis, audio, Recording(samples, TITLE, BAND), "song.flac", "song.html")
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="pulsefind-") as folder, sync_playwright() as running:
        page_path = Path(folder) / "song.html"
        page_path.write_text(html, encoding="utf-8")
        browser = running.chromium.launch(executable_path=find_browser(), args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": SIZE[0], "height": SIZE[1]}, color_scheme="dark")
        page.goto(page_path.as_uri())
        page.evaluate(f"window.pulsefindPage.app.select({_BAR})")
        page.screenshot(path=path)
        browser.close()
    return path
