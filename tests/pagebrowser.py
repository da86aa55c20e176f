"""A page in a real browser for the tests of it: opened, looked at, heard; at the end no network may have been asked."""

import base64
import shutil
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from pagemaking import song, sound_of

from eval.robustness.browser import FLAGS
from eval.take.simulation import Player, simulate_take
from pulsefind.page.page import Recording, page_html
from pulsefind.page.pdf import find_browser
from pulsefind.page.take_view import read_take_review
from pulsefind.take.history import append_take, entry_of
from pulsefind.take.review import review_take
from pulsefind.take.to_json import review_to_json

JS_TESTS = Path(__file__).parent / "js"
AXE = JS_TESTS / "node_modules" / "axe-core" / "axe.min.js"
VIEWS = ("desk", "kit", "drills", "ear", "take")
WIDTHS = (360, 820, 1440)
NASTY = "<img src=x onerror=alert(1)>\"'& </script> \u202eאבג\u202c.wav"

needs_browser = pytest.mark.skipif(find_browser() is None, reason="no Chromium on this machine")
needs_node = pytest.mark.skipif(shutil.which("node") is None, reason="no node on this machine")


@pytest.fixture(scope="session")
def analysis():
    return song(bpm=150.0)


@pytest.fixture(scope="session")
def audio(analysis):
    return sound_of(analysis)


@pytest.fixture(scope="session")
def take(analysis, tmp_path_factory):
    """A review, saved and read back, of a player who is 9 ms late and drifts in the break; and two takes so far."""
    folder = tmp_path_factory.mktemp("take")
    player = Player(mean_ms=9.0, drift_ms_per_bar=25.0, correction="even", missed=0.03)
    played = simulate_take(analysis, player, np.random.default_rng(4)).hits
    review = review_take(analysis, played, Path("take.mid"), Path("song.wav"), starts_at_s=0.0, latency_ms=0.0)
    (folder / "review.json").write_text(review_to_json(review), encoding="utf-8")
    for day in (1, 2):
        append_take(folder / "takes.jsonl", entry_of(review, datetime(2030, 5, day, tzinfo=UTC)))
    return read_take_review(folder / "review.json", analysis, folder / "takes.jsonl")


@pytest.fixture(scope="session")
def page_file(analysis, audio, take, tmp_path_factory):
    frames = np.stack([audio.samples, 0.8 * audio.samples], axis=1)
    recording = Recording(frames, "Paper Lanterns", "The Tin Kites")
    html = page_html(
        analysis, audio, recording, "in/Paper.wav", "p.html", take={**take, "recording": NASTY, "options": []}
    )
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(html, encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def running():
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as driver:
        yield driver


@pytest.fixture(scope="session")
def browser(running):
    chromium = running.chromium.launch(executable_path=find_browser(), args=list(FLAGS))
    yield chromium
    chromium.close()


@pytest.fixture
def opened(browser):
    """Open pages; at the end no message, no error and no request but for the file itself may have been seen."""
    seen, contexts = [], []

    def open_page(path, width=1440, height=900, view="desk", **options):
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: seen.append(f"console: {message.text}"))
        page.on("pageerror", lambda error: seen.append(f"error: {error}"))
        page.on("dialog", lambda dialog: seen.append(f"dialog: {dialog.message}"))
        page.on("request", lambda request: seen.append(f"request: {request.url}"))
        page.goto(path.as_uri())
        until(page, "document.querySelector('.fact')")
        # Without a view no hand has touched the page yet.
        if view is not None:
            page.click(f"#tab-{view}")
        return page

    yield open_page
    for context in contexts:
        context.close()
    # A page from disk is one request; each opened page may have made that one and no other.
    requests = [line for line in seen if line.startswith("request:")]
    assert [line for line in seen if line not in requests] == []
    assert all(line.startswith(("request: file:", "request: blob:", "request: data:")) for line in requests), requests
    assert len([line for line in requests if line.startswith("request: file:")]) == len(contexts)


def until(page, condition, timeout_s=20.0):
    """Wait for a condition. Playwright's own waiting evaluates text in the page, which the page's policy forbids."""
    deadline = time.monotonic() + timeout_s
    while not page.evaluate(f"Boolean({condition})"):
        assert time.monotonic() < deadline, f"never came true: {condition}"
        page.wait_for_timeout(20)


def state(page, expression):
    return page.evaluate(f"(() => {{ const {{ app, drills }} = window.pulsefindPage; return {expression}; }})()")


def onsets(samples, rate_hz, expected_s):
    """Where sound starts near each expected time, by its own rule: the first sample above a tenth of the local peak."""
    found = []
    for t in expected_s:
        first = max(0, round((t - 0.04) * rate_hz))
        part = np.abs(samples[first : round((t + 0.04) * rate_hz)])
        assert part.max() > 0.01, f"nothing sounds near {t:.3f} s"
        found.append((first + int(np.argmax(part > 0.1 * part.max()))) / rate_hz)
    return np.array(found)


PLAIN = {"track": 1, "click": 0.5, "guide": 0, "master": 1}


def rendered(page, options, seconds, with_track=False, levels=PLAIN):
    """Samples of a run, rendered offline by the page's own scheduler."""
    text = page.evaluate(
        """async ([options, seconds, withTrack, levels]) => {
            const { app } = window.pulsefindPage;
            const { samples } = await app.render(options, seconds, withTrack ? app.track : null, levels);
            const bytes = new Uint8Array(samples.buffer);
            let text = "";
            for (let k = 0; k < bytes.length; k += 8192) text += String.fromCharCode(...bytes.subarray(k, k + 8192));
            return btoa(text);
        }""",
        [options, seconds, with_track, levels],
    )
    return np.frombuffer(base64.b64decode(text), "<f4")


def seams_db(page, speed):
    """The loudest above 5 kHz, where a crack is heard, while a low tone of 0.4 goes round one bar: dB of the tone."""
    from scipy.signal import butter, sosfilt

    samples = np.array(page.evaluate(ROUND, speed))
    bright = sosfilt(butter(6, 5000, "highpass", fs=44100, output="sos"), samples)
    # What the fade-in of the first second does is no seam.
    assert np.abs(samples[44100:]).max() > 0.3
    return 20 * np.log10(np.abs(bright[44100:]).max() / 0.4)


ROUND = """async (speed) => {
    const { app } = window.pulsefindPage;
    const rate = 44100;
    const n = Math.ceil((app.reading.end + 1) * rate);
    const buffer = new AudioBuffer({ numberOfChannels: 1, length: n, sampleRate: rate });
    const tone = Float32Array.from({ length: n }, (_, k) => 0.4 * Math.sin((2 * Math.PI * 97 * k) / rate));
    buffer.copyToChannel(tone, 0);
    const options = { startBar: 1, loop: { first: 1, last: 1 }, speed, clicks: null };
    const { samples } = await app.render(options, 8, { buffer, delay: 0, anchors: [] });
    return Array.from(samples);
}"""

TAP = """async (times) => {
    const { app } = window.pulsefindPage;
    const context = app.player.mixer.context;
    for (const t of times) {
        while (context.currentTime < t) await new Promise((resolve) => setTimeout(resolve, 2));
        document.body.dispatchEvent(new KeyboardEvent("keydown", { key: "j", bubbles: true }));
    }
}"""
