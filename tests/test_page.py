"""The page, driven in a real browser: what it shows, plays, trains and corrects; and that it asks no network."""

import base64
import json
import re
import shutil
import subprocess
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile
from pagemaking import BREAK, RATE_HZ, song, sound_of

import pulsefind
from eval.take_sim import Player, simulate_take
from pulsefind.core.records import Settings
from pulsefind.listen.audio import load
from pulsefind.page.assets import joined_script
from pulsefind.page.page import Recording, hint_words, page_data, page_html, read_recording
from pulsefind.page.pdf import find_browser
from pulsefind.page.take_view import read_take_review
from pulsefind.take.history import append_take, entry_of
from pulsefind.take.review import review_take
from pulsefind.take.to_json import review_to_json

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
JS_TESTS = Path(__file__).parent / "js"
AXE = JS_TESTS / "node_modules" / "axe-core" / "axe.min.js"
VIEWS = ("song", "bar", "play", "train", "fix", "take")
WIDTHS = (360, 820, 1440)
NASTY = "<img src=x onerror=alert(1)>\"'& </script> \u202eאבג\u202c.wav"

needs_browser = pytest.mark.skipif(find_browser() is None, reason="no Chromium on this machine")
needs_node = pytest.mark.skipif(shutil.which("node") is None, reason="no node on this machine")

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]


@pytest.fixture(scope="module")
def analysis():
    return song(bpm=150.0)


@pytest.fixture(scope="module")
def audio(analysis):
    return sound_of(analysis)


@pytest.fixture(scope="module")
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


@pytest.fixture(scope="module")
def page_file(analysis, audio, take, tmp_path_factory):
    frames = np.stack([audio.samples, 0.8 * audio.samples], axis=1)
    recording = Recording(frames, "Paper Lanterns", "The Tin Kites")
    html = page_html(
        analysis, audio, recording, "in/Paper.wav", "p.html", take={**take, "recording": NASTY, "options": []}
    )
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(html, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as running:
        chromium = running.chromium.launch(executable_path=find_browser(), args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def opened(browser):
    """Open pages; at the end no message, no error and no request but for the file itself may have been seen."""
    seen, contexts = [], []

    def open_page(path, width=1440, height=900, view="song", **options):
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: seen.append(f"console: {message.text}"))
        page.on("pageerror", lambda error: seen.append(f"error: {error}"))
        page.on("dialog", lambda dialog: seen.append(f"dialog: {dialog.message}"))
        page.on("request", lambda request: seen.append(f"request: {request.url}"))
        page.goto(path.as_uri())
        until(page, "document.querySelectorAll('.bar').length > 0 || document.querySelector('.answer')")
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


# ---- what is in the file


def test_data_has_the_plan_and_counts_of_the_analysis(analysis, audio):
    data = page_data(analysis, audio, True, "a.wav", "a.html")
    # The pickup goes with the bar after it, as in the list of alone stretches.
    assert data["plan"] == [0] * 9 + [-1] * 4 + [0] * 4
    assert [place["label"] for place in data["guides"][0]["places"]] == ["1e", "3a"]
    assert data["phrase"] == 4
    assert np.allclose(data["beats"]["time"], analysis.beats.time_s, atol=1e-5)
    json.dumps(data, allow_nan=False)


def test_hints_are_kept_for_the_command():
    settings = Settings(meter=(7, 8), bpm_low=80, bpm_high=100, one_at_s=1.5, start_s=30)
    assert hint_words(settings) == [["--meter", "7/8"], ["--bpm", "80:100"], ["--one-at", "1.50"], ["--range", "30-"]]
    assert hint_words(Settings(taps_s=(1.0, 1.5))) == [["--taps", "TAPS.txt"]]
    assert hint_words(Settings(network="own")) == [["--network", "own"]]
    assert hint_words(Settings()) == []


def test_the_script_is_joined_without_imports_and_without_names_declared_twice(tmp_path):
    script = joined_script("main.mjs")
    assert "import " not in "".join(line for line in script.splitlines(True) if line.startswith(("import", "export")))
    assert "</script" not in script.lower()
    # Of two functions with one name the later would win in silence: the modules share one scope in the page.
    names = re.findall(r"^(?:async )?(?:function|const|let|class) (\w+)", script, re.M)
    assert len(names) > 100 and sorted(names) == sorted(set(names))
    if shutil.which("node"):
        path = tmp_path / "joined.js"
        path.write_text(script)
        subprocess.run(["node", "--check", str(path)], check=True, capture_output=True)


def test_the_page_alone_is_small(analysis, audio):
    html = page_html(analysis, audio, None, "a.wav", "a.html")
    assert len(html.encode()) < 300_000


def test_reading_the_recording_keeps_stereo_tags_and_time(tmp_path, audio):
    path = tmp_path / "tagged.flac"
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, "PCM_16") as file:
        file.title, file.artist = "Slow Harbour", "The Tin Kites"
        file.write(np.stack([audio.samples, -0.5 * audio.samples], axis=1))
    recording = read_recording(path, audio)
    assert (recording.title, recording.artist) == ("Slow Harbour", "The Tin Kites")
    assert recording.frames.shape == (len(audio.samples), 2)
    assert np.allclose(recording.frames[:, 0], audio.samples, atol=1e-4)


def test_another_rate_is_brought_to_the_rate_of_the_page(tmp_path):
    tone = np.sin(2 * np.pi * 440 * np.arange(48000) / 48000) * 0.5
    soundfile.write(tmp_path / "a.wav", np.stack([tone, tone], axis=1), 48000)
    loaded = load(tmp_path / "a.wav")
    frames = read_recording(tmp_path / "a.wav", loaded).frames
    assert frames.shape == (len(loaded.samples), 2) == (RATE_HZ, 2)
    expected = 0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)
    assert np.abs(frames[2000:-2000, 0] - expected[2000:-2000]).max() < 1e-3


def test_more_than_two_channels_are_played_as_their_mix(tmp_path):
    rng = np.random.default_rng(3)
    soundfile.write(tmp_path / "five.wav", rng.normal(0, 0.1, (4000, 5)), RATE_HZ)
    loaded = load(tmp_path / "five.wav")
    assert np.array_equal(read_recording(tmp_path / "five.wav", loaded).frames[:, 0], loaded.samples)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
def test_a_file_that_only_ffmpeg_reads_stays_stereo(tmp_path):
    low, high = (0.4 * np.sin(2 * np.pi * hz * np.arange(48000) / 48000) for hz in (300, 500))
    soundfile.write(tmp_path / "a.wav", np.stack([low, high], axis=1), 48000)
    command = ["ffmpeg", "-v", "error", "-i", tmp_path / "a.wav", "-c:a", "alac", tmp_path / "a.m4a"]
    subprocess.run(command, check=True)
    audio = load(tmp_path / "a.m4a")
    frames = read_recording(tmp_path / "a.m4a", audio).frames
    assert frames.shape == (len(audio.samples), 2)
    at_s = np.arange(2000, RATE_HZ - 2000) / RATE_HZ
    for channel, hz in enumerate((300, 500)):
        assert np.abs(frames[2000:-2000, channel] - 0.4 * np.sin(2 * np.pi * hz * at_s)).max() < 1e-3


# ---- scripts by themselves


@needs_node
def test_scripts():
    run = subprocess.run(["node", "--test", str(JS_TESTS)], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout[-4000:]


@pytest.mark.skipif(not (JS_TESTS / "node_modules" / "eslint").exists(), reason="eslint is not installed in tests/js")
def test_scripts_are_clean():
    root = Path(pulsefind.__file__).parent.parent
    eslint = JS_TESTS / "node_modules" / "eslint" / "bin" / "eslint.js"
    command = ["node", str(eslint), "-c", "tests/js/eslint.config.mjs", "pulsefind/web", "tests/js"]
    run = subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout + run.stderr


@pytest.mark.skipif(not (JS_TESTS / "node_modules" / "prettier").exists(), reason="prettier is not in tests/js")
def test_scripts_are_formatted():
    root = Path(pulsefind.__file__).parent.parent
    prettier = JS_TESTS / "node_modules" / "prettier" / "bin" / "prettier.cjs"
    command = ["node", str(prettier), "--config", "tests/js/prettier.json", "--check"]
    run = subprocess.run(
        [*command, "pulsefind/web/*.mjs", "tests/js/*.mjs"], cwd=root, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stdout + run.stderr


# ---- in the browser


@needs_browser
@pytest.mark.parametrize("width", WIDTHS)
def test_every_view_fits_every_width(opened, page_file, width):
    page = opened(page_file, width)
    # As where the recording is not inside: the box for opening it has to fit as well.
    page.evaluate("document.getElementById('file-box').hidden = false")
    for view in VIEWS:
        page.click(f"#tab-{view}")
        assert page.is_visible(f"#view-{view}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, view
    assert page.is_visible("text=harm hearing")


@needs_browser
def test_the_song_is_drawn_bar_by_bar_and_said_in_words(opened, page_file, analysis):
    page = opened(page_file)
    assert page.locator(".bar").count() == len(analysis.bars.beats)
    assert page.text_content(".bar >> nth=1 >> .unseen") == "bar 1: follow A on 1e and 3a"
    assert page.text_content(".bar >> nth=9 >> .unseen") == "bar 9: alone"
    assert page.locator(".bar.alone").count() == len(BREAK)
    words = page.inner_text("#plan-words")
    assert "pickup to bar 8" in words and "bars 9 to 12" in words and "alone, you carry the time" in words
    assert page.locator(".phrase").count() == 5
    page.select_option("#phrase", "8")
    until(page, "document.querySelectorAll('.phrase').length === 3")


@needs_browser
def test_one_bar_shows_the_hits_and_lays_a_misreading_over(opened, page_file):
    page = opened(page_file, view="bar")
    assert page.locator(".lens").count() == 2
    assert "1e" in page.inner_text("#bar-table")
    assert page.locator(".wrong-box").count() == 0
    page.click("#bar-misreadings button")
    assert page.locator(".wrong-box").count() == 2
    assert page.get_attribute("#bar-misreadings button", "aria-pressed") == "true"


@needs_browser
def test_clicks_lie_on_the_beats(opened, page_file, analysis):
    page = opened(page_file)
    begin, seconds = analysis.bars.start_s[0], 20.0
    samples = rendered(page, {"clicks": {"kind": "beats", "places": [], "gapOn": 0}, "startBar": 0}, seconds)
    expected = analysis.beats.time_s - begin
    expected = expected[expected < seconds - 0.1]
    error_ms = 1000 * np.abs(onsets(samples, RATE_HZ, expected) - expected)
    assert len(expected) > 40 and error_ms.max() < 2.0
    # Nothing else sounds: between the clicks there is silence.
    quiet = np.ones(len(samples), bool)
    for t in expected:
        quiet[max(0, int((t - 0.001) * RATE_HZ)) : int((t + 0.05) * RATE_HZ)] = False
    quiet[int(19 * RATE_HZ) :] = False
    assert np.abs(samples[quiet]).max() < 1e-4


@needs_browser
@pytest.mark.parametrize("speed", [0.7, 1.2])
def test_clicks_lie_on_the_stretched_beats_after_the_count_in(opened, page_file, analysis, speed):
    page = opened(page_file)
    options = {
        "clicks": {"kind": "places", "places": ["1", "2&"], "gapOn": 0},
        "startBar": 1,
        "speed": speed,
        "countInBars": 1,
    }
    samples = rendered(page, options, 14.0)
    beat = analysis.beats.time_s
    first = int(analysis.bars.first_beat[1])
    step = beat[first + 1] - beat[first]
    lead = 4 * step / speed
    ones = beat[first::4]
    ands = 0.5 * (beat[first + 1 :: 4][: len(ones)] + beat[first + 2 :: 4][: len(ones)])
    expected = np.sort(np.r_[np.arange(4) * step / speed, lead + (np.r_[ones, ands] - beat[first]) / speed])
    expected = expected[expected < 13.9]
    assert 1000 * np.abs(onsets(samples, RATE_HZ, expected) - expected).max() < 2.0


@needs_browser
@pytest.mark.parametrize("speed", [1.0, 0.75])
def test_the_track_and_its_clicks_agree(opened, page_file, analysis, speed):
    """The guide's hits in the recording, stretched by the page, lie where the scheduler puts their clicks."""
    page = opened(page_file)
    page.click("#play")
    until(page, "window.pulsefindPage.app.track !== null")
    page.click("#play")
    begin = analysis.bars.start_s[1]
    samples = rendered(page, {"startBar": 1, "speed": speed, "clicks": None}, 9.0, with_track=True)
    ticks = analysis.guides[0].hits.time_s
    expected = (ticks[(ticks > begin + 0.2) & (ticks < begin + 6.5)] - begin) / speed
    # The tick's band alone: the chord below would hide its attack.
    from scipy.signal import butter, sosfilt

    high = sosfilt(butter(4, 6000, "highpass", fs=RATE_HZ, output="sos"), samples)
    error_ms = 1000 * np.abs(onsets(high, RATE_HZ, expected) - expected)
    assert len(expected) > 6 and error_ms.max() < 2.0


@needs_browser
def test_the_guide_alone_sounds_at_its_hits_and_nowhere_else(opened, page_file, analysis):
    page = opened(page_file)
    page.click("#play")
    until(page, "window.pulsefindPage.app.track !== null")
    page.click("#play")
    levels = {"track": 0, "click": 0, "guide": 1, "master": 1}
    options = {"startBar": 1, "clicks": None, "guide": "plan"}
    samples = rendered(page, options, 9.0, with_track=True, levels=levels)
    begin = analysis.bars.start_s[1]
    power = samples.astype(float) ** 2
    near = np.zeros(len(power), bool)
    ticks = analysis.guides[0].hits.time_s - begin
    for t in ticks[(ticks > 0) & (ticks < 9.0)]:
        near[int((t - 0.01) * RATE_HZ) : int((t + 0.15) * RATE_HZ)] = True
    assert power[near].sum() > 0.01 and power[near].sum() > 0.999 * power.sum()


@needs_browser
def test_the_page_checks_the_timing_of_its_browser(opened, page_file):
    page = opened(page_file, view="play")
    page.click("summary")
    page.click("#check-timing")
    until(page, "document.getElementById('timing-note').textContent.includes('clicks')")
    worst = float(re.search(r"farthest ([\d.]+) ms", page.inner_text("#timing-note"))[1])
    assert worst < 2.0


@needs_browser
def test_playing_moves_the_playhead_and_stops(opened, page_file):
    page = opened(page_file)
    page.click("#play")
    until(page, "document.querySelector('.bar.now')?.dataset.bar >= 1")
    assert page.inner_text("#play") == "Stop"
    assert page.inner_text("#where-bar").startswith(("bar", "pickup"))
    page.click("#play")
    assert page.inner_text("#play") == "Play"
    assert not state(page, "app.player.playing")


@needs_browser
def test_tapping_counts_makes_a_click_set(opened, page_file):
    page = opened(page_file, view="play")
    for place in ("2&", "4&", "1"):
        page.click(f"[data-place='{place}']")
    page.click("[data-place='1']")
    assert state(page, "app.clicks.places") == ["2&", "4&"]
    assert page.get_attribute("[data-place='2&']", "aria-pressed") == "true"
    page.check("#preset-backbeat")
    assert state(page, "app.clicks.kind") == "backbeat"
    assert page.get_attribute("[data-place='2&']", "aria-pressed") == "false"


@needs_browser
def test_dragging_loops_bars_and_the_loop_is_played_round(opened, page_file, analysis):
    page = opened(page_file, view="play")
    page.evaluate("document.getElementById('speed').value = 125")
    page.dispatch_event("#speed", "change")
    page.select_option("#count-in", "0")
    page.click("#tab-song")
    boxes = [page.locator(".bar").nth(k).bounding_box() for k in (2, 3)]
    page.mouse.move(boxes[0]["x"] + 20, boxes[0]["y"] + 30)
    page.mouse.down()
    page.mouse.move(boxes[1]["x"] + 60, boxes[1]["y"] + 30, steps=4)
    page.mouse.up()
    assert state(page, "app.loop") == {"first": 2, "last": 3}
    assert page.is_visible("text=Loop bars 2 to 3")
    page.click("#play")
    until(page, "(window.pulsefindPage.app.player.scheduler?.segments.length ?? 0) >= 3")
    start, end = analysis.bars.start_s[2], analysis.bars.start_s[4]
    for _ in range(5):
        page.wait_for_timeout(100)
        song_s = state(page, "app.player.scheduler.songAt(app.player.mixer.context.currentTime)")
        assert start - 1e-6 <= song_s <= end + 1e-6
    page.keyboard.press("Escape")
    assert state(page, "app.loop") is None


@needs_browser
def test_a_finger_drags_a_loop(opened, page_file):
    page = opened(page_file, 360, 760, has_touch=True, is_mobile=True)
    page.locator(".bar").nth(1).scroll_into_view_if_needed()
    boxes = [page.locator(".bar").nth(k).bounding_box() for k in (1, 2, 3)]
    points = [{"x": box["x"] + box["width"] / 2, "y": box["y"] + 30} for box in boxes]
    session = page.context.new_cdp_session(page)
    session.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [points[0]]})
    for k in range(1, 9):
        part = k / 8
        x = points[0]["x"] + part * (points[2]["x"] - points[0]["x"])
        session.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x, "y": points[0]["y"]}]})
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    assert state(page, "app.loop") == {"first": 1, "last": 3}


@needs_browser
def test_keys_reach_everything_on_the_map(opened, page_file):
    page = opened(page_file)
    page.focus(".bar >> nth=0")
    for key in ("ArrowRight", "ArrowRight", "Shift+ArrowRight", "Shift+ArrowRight"):
        page.keyboard.press(key)
    assert state(page, "app.loop") == {"first": 2, "last": 4}
    page.keyboard.press("Escape")
    page.keyboard.press("Home")
    page.keyboard.press("ArrowDown")
    assert state(page, "app.selected") == 4
    page.keyboard.press("Enter")
    until(page, "window.pulsefindPage.app.player.playing")
    page.focus("#main")
    page.keyboard.press("Space")
    until(page, "!window.pulsefindPage.app.player.playing")
    page.focus("#tab-song")
    page.keyboard.press("ArrowRight")
    assert page.is_visible("#view-bar")


@needs_browser
def test_with_little_motion_wanted_the_playhead_steps_from_beat_to_beat(opened, page_file):
    page = opened(page_file, reduced_motion="reduce")
    page.focus(".bar >> nth=1")
    page.keyboard.press("Enter")
    until(page, "document.querySelector('.bar.now') !== null")
    seen = page.evaluate(
        """async () => {
            const seen = new Set();
            for (let k = 0; k < 60; k += 1) {
                await new Promise((resolve) => setTimeout(resolve, 20));
                const at = document.querySelector(".bar.now")?.style.getPropertyValue("--at");
                if (at) seen.add(Number(at));
            }
            return [...seen];
        }"""
    )
    page.click("#play")
    steps = [beat / 4 for beat in range(4)]
    assert len(seen) > 1
    assert all(min(abs(at - step) for step in steps) < 1e-3 for at in seen)


TAP = """async (times) => {
    const { app } = window.pulsefindPage;
    const context = app.player.mixer.context;
    for (const t of times) {
        while (context.currentTime < t) await new Promise((resolve) => setTimeout(resolve, 2));
        document.body.dispatchEvent(new KeyboardEvent("keydown", { key: "j", bubbles: true }));
    }
}"""


@needs_browser
def test_the_delay_of_the_device_is_measured_and_kept(opened, page_file):
    page = opened(page_file, view="train")
    page.click("#delay-start")
    until(page, "window.pulsefindPage.app.training?.clicks?.length > 0")
    clicks = state(page, "app.training.clicks")
    page.evaluate(TAP, [t + 0.15 for t in clicks[:10]])
    page.click("#play")
    # The page cannot know when the sound was heard better than its output clock does: within 60 ms of what was put in.
    assert state(page, "app.tapDelay") == pytest.approx(0.15, abs=0.06)
    assert "Kept" in page.inner_text("#delay-note")
    assert float(page.evaluate("localStorage.getItem('pulsefind.delay')")) == state(page, "app.tapDelay")


@needs_browser
def test_find_the_one_by_name_and_by_tap(opened, page_file):
    page = opened(page_file, view="train")
    page.click("#one-start")
    until(page, "window.pulsefindPage.app.player.playing")
    hit = state(page, "drills.findOne.hit.place")
    page.click(f"[data-name='{hit}']")
    assert page.inner_text("#one-score") == "1 of 1 right"
    page.click("#one-start")
    until(page, "window.pulsefindPage.drills.findOne.riddle && window.pulsefindPage.app.player.playing")
    wrong = "1" if state(page, "drills.findOne.hit.place") != "1" else "2"
    page.click(f"[data-name='{wrong}']")
    assert page.inner_text("#one-score") == "1 of 2 right"
    assert "the first hit fell on" in page.inner_text("#one-note")
    page.click("#one-start")
    until(page, "window.pulsefindPage.drills.findOne.riddle && window.pulsefindPage.app.player.playing")
    target = state(
        page,
        """(() => {
            const { scheduler } = app.player;
            const bar = app.reading.bars[drills.findOne.riddle.bar + 2];
            return scheduler.contextTimeOf(bar.start, app.player.mixer.context.currentTime);
        })()""",
    )
    page.evaluate(TAP, [target + 0.03])
    assert page.inner_text("#one-score") == "2 of 3 right"
    page.click("#play")


@needs_browser
def test_hold_it_judges_taps(opened, page_file):
    page = opened(page_file, view="train")
    page.fill("#hold-bars", "1")
    page.click("#hold-start")
    until(page, "window.pulsefindPage.app.player.playing")
    times = state(
        page,
        """app.reading.time.slice(5, 17).map((t) => app.player.scheduler.contextTimeOf(t, 0))""",
    )
    page.evaluate(TAP, [t + 0.03 for t in times])
    page.click("#play")
    words = page.inner_text("#hold-note")
    assert words.startswith("12 taps") and "give or take" in words
    assert page.is_visible(".hold-chart")


@needs_browser
def test_a_midi_note_counts_as_a_tap(opened, page_file):
    page = opened(page_file, view="train")
    page.click("#hold-start")
    until(page, "window.pulsefindPage.app.player.playing")
    until(page, "window.pulsefindPage.app.songAtTap(window.pulsefindPage.app.player.heardAt() - 0.3) !== null")
    for data in ([0x99, 38, 100], [0x99, 38, 0], [0x89, 38, 64], [0xB0, 1, 1]):
        page.evaluate(
            """(data) => {
                const { app, heardPad } = window.pulsefindPage;
                heardPad({ data, timeStamp: performance.now() }, (timeStamp) => app.tap(timeStamp));
            }""",
            data,
        )
    assert state(page, "drills.holdIt.taps.length") == 1
    page.click("#play")


@needs_browser
def test_corrections_relabel_at_once_and_show_the_command(opened, page_file):
    page = opened(page_file, view="fix")
    assert page.inner_text("#command") == "pulsefind page in/Paper.wav --out p.html --force"
    page.click("#fix-later")
    assert "A now falls on 2a, 4e" in page.inner_text("#fix-note")
    one_s = state(page, "app.reading.bars.find((bar) => bar.firstCount === 1).start")
    assert f"--one-at {one_s:.3f}" in page.inner_text("#command")
    page.click("#tab-song")
    until(page, "document.querySelectorAll('.bar').length === 17")
    assert page.text_content(".bar >> nth=1 >> .unseen") == "bar 1: follow A on 2a and 4e"
    page.click("#tab-fix")
    page.click("#fix-undo")
    assert page.inner_text("#command") == "pulsefind page in/Paper.wav --out p.html --force"
    page.click("#fix-half")
    assert "--bpm" in page.inner_text("#command")
    page.click("#fix-undo")
    page.click("#fix-double")
    # 0.25 and 2.75 beats after the 1 are 0.5 and 5.5 beats at twice the tempo, the latter in the next bar.
    assert "A now falls on 1&, 2&" in page.inner_text("#fix-note")
    page.click("#fix-undo")
    page.click("#tab-song")
    page.click(".bar >> nth=2")
    page.click("#tab-fix")
    page.click("#fix-drawing button >> nth=3")
    assert state(page, "app.corrections") == [{"kind": "shift", "beats": -1}]


@needs_browser
def test_the_one_can_be_tapped_while_it_plays(opened, page_file):
    page = opened(page_file, view="fix")
    page.click("#fix-tap")
    assert "Play the song first" in page.inner_text("#fix-note")
    page.click("#tab-play")
    page.select_option("#count-in", "0")
    page.click("#tab-fix")
    page.click("#play")
    until(page, "window.pulsefindPage.app.player.playing")
    page.evaluate(
        """async () => {
            const { app } = window.pulsefindPage;
            const { context } = app.player.mixer;
            const at = app.player.scheduler.contextTimeOf(app.reading.time[3], 0);
            while (app.player.heardAt() < at) await new Promise((resolve) => setTimeout(resolve, 2));
            document.getElementById("fix-tap").click();
        }"""
    )
    assert state(page, "app.reading.count[3]") == 1


@needs_browser
def test_the_take_is_drawn_bar_by_bar_and_said_in_words(opened, page_file, take, analysis):
    page = opened(page_file, view="take")
    shown = page.inner_text("#view-take")
    assert f"{take['whole']['n']} hits on places" in shown and NASTY in shown
    # By its own rule: the hits of a bar are those from its 1 to the next.
    edges = np.r_[analysis.bars.start_s, analysis.bars.end_s]
    offset = np.array(take["hits"]["offset_ms"])
    bar = np.searchsorted(edges, np.array(take["hits"]["nominal_s"]) + 5e-4, side="right") - 1
    page.click("#view-take summary")
    rows = page.evaluate(
        """() => [...document.querySelectorAll('#take-table tbody tr')].map(
            (row) => [...row.children].map((cell) => cell.textContent))"""
    )
    assert len(rows) == len(np.unique(bar)) == page.locator("#take-course .column").count()
    for row, k in zip(rows, np.unique(bar), strict=True):
        mean = offset[bar == k].mean()
        side = "early" if mean < 0 else "late"
        assert row[2] == str((bar == k).sum())
        assert row[3] == f"{abs(mean):.0f} ms {side}" or abs(mean) < 0.6
        assert row[1] == ("alone" if 9 <= k <= 12 else "guide")
    assert "Bars 9 to 12" in page.inner_text("#take-alone")
    assert page.locator("#take-corrections .correction svg").count() == len(take["corrections"]) > 0
    assert page.locator(".takes li").count() == 2
    assert "pulsefind click" in page.inner_text("#take-next")
    assert "bars 9 to 12, alone" in page.get_attribute("#take-course svg", "aria-label")


@needs_browser
def test_after_a_correction_the_take_says_that_its_counts_are_those_of_the_review(opened, page_file):
    page = opened(page_file, view="take")
    assert "corrected the beats" not in page.inner_text("#take-words")
    page.click("[role=tab][aria-controls=view-fix]")
    page.click("#fix-later")
    page.click("[role=tab][aria-controls=view-take]")
    assert "keep the counts and bar numbers of the review" in page.inner_text("#take-words")


@needs_browser
def test_without_a_take_there_is_no_view_of_one(opened, tmp_path, analysis, audio, take):
    path = tmp_path / "none.html"
    path.write_text(page_html(analysis, audio, None, "a.wav", "p.html"), encoding="utf-8")
    page = opened(path)
    assert page.locator("[role=tab]").count() == 5
    path.write_text(page_html(analysis, audio, None, "a.wav", "p.html", take=take), encoding="utf-8")
    page = opened(path, view="fix")
    assert "--take" in page.inner_text("#command") and "--history" in page.inner_text("#command")
    assert "--audio beside" in page.inner_text("#command")


@needs_browser
def test_printing_leaves_the_controls_out(opened, page_file):
    page = opened(page_file)
    page.emulate_media(media="print")
    assert not page.is_visible(".transport") and not page.is_visible(".views")
    assert page.is_visible(".bar >> nth=0")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.pdf(format="A4").startswith(b"%PDF")


@needs_browser
def test_nothing_can_be_fetched_and_no_other_script_runs(opened, page_file, browser):
    page = browser.new_context().new_page()
    page.goto(page_file.as_uri())
    answered, blocked = [], []
    page.on("response", lambda response: answered.append(response.url))
    page.on("requestfailed", lambda request: blocked.append(request.failure))
    refused = page.evaluate("fetch('https://pulsefind.invalid/').then(() => false, () => true)")
    page.evaluate(
        """() => {
            const script = document.createElement("script");
            script.textContent = "window.intruder = true";
            document.body.append(script);
            const image = new Image();
            image.src = "https://pulsefind.invalid/x.png";
            document.body.append(image);
        }"""
    )
    page.wait_for_timeout(200)
    assert refused and page.evaluate("window.intruder === undefined")
    # The image is refused before anything is sent: by the page's policy, not by a network that is not there.
    assert answered == [] and set(blocked) == {"csp"}
    page.context.close()


@needs_browser
def test_names_and_tags_show_as_text(opened, tmp_path, audio):
    nasty = song(name=NASTY)
    stem = NASTY.removesuffix(".wav")
    for tags in (Recording(audio.samples[:, None], "", NASTY), Recording(audio.samples[:, None], NASTY, NASTY)):
        path = tmp_path / "nasty.html"
        path.write_text(page_html(nasty, audio, tags, NASTY, "p.html"), encoding="utf-8")
        page = opened(path)
        assert page.text_content("h1") == (tags.title or Path(stem).name)
        assert page.text_content(".artist") == NASTY
        assert page.get_attribute("h1", "dir") == "auto"
        assert page.locator("img").count() == 0
        page.click("#tab-fix")
        assert NASTY.replace("'", "'\\''") in page.text_content("#command")


@needs_browser
@pytest.mark.parametrize(
    ("ending", "form", "subtype"), [("mp3", "MP3", None), ("ogg", "OGG", "VORBIS"), ("wav", "WAV", None)]
)
def test_a_file_beside_the_page_is_aligned(opened, tmp_path, analysis, audio, ending, form, subtype):
    """A codec's delay, as Chromium decodes it, is measured and made good; the check decodes and compares by itself."""
    recording = tmp_path / f"song.{ending}"
    soundfile.write(recording, audio.samples, RATE_HZ, format=form, subtype=subtype)
    path = tmp_path / "beside.html"
    path.write_text(page_html(analysis, audio, None, "song", "p.html"), encoding="utf-8")
    page = opened(path, view="play")
    page.set_input_files("#file", recording)
    until(page, "document.getElementById('file-note').textContent.includes('is ready')")
    delay_s = state(page, "app.track.delay")
    rate_hz = state(page, "app.track.buffer.sampleRate")
    first = 3 * rate_hz
    decoded = np.array(
        state(page, f"Array.from(app.track.buffer.getChannelData(0).subarray({first}, {first + rate_hz}))")
    )
    from scipy.signal import correlate

    reach = rate_hz // 10
    at_s = (first - reach + np.arange(rate_hz + 2 * reach)) / rate_hz
    reference = np.interp(at_s, np.arange(len(audio.samples)) / RATE_HZ, audio.samples)
    lag = reach - int(np.argmax(correlate(reference, decoded, "valid")))
    assert abs(delay_s - lag / rate_hz) < 0.0005


@needs_browser
def test_a_delay_put_in_is_found(opened, tmp_path, analysis, audio):
    """1105 samples before the sound: what an mp3 decoder adds to a file whose header does not tell its padding."""
    recording = tmp_path / "late.wav"
    soundfile.write(recording, np.r_[np.zeros(1105, np.float32), audio.samples], RATE_HZ)
    path = tmp_path / "beside.html"
    path.write_text(page_html(analysis, audio, None, "song", "p.html"), encoding="utf-8")
    page = opened(path, view="play")
    page.set_input_files("#file", recording)
    until(page, "document.getElementById('file-note').textContent.includes('is ready')")
    assert "25.0 ms late" in page.inner_text("#file-note") or "25.1 ms late" in page.inner_text("#file-note")
    assert state(page, "app.track.delay") == pytest.approx(1105 / RATE_HZ, abs=0.0001)


@needs_browser
def test_another_recording_is_refused(opened, tmp_path, analysis, audio):
    recording = tmp_path / "other.wav"
    soundfile.write(recording, np.random.default_rng(5).normal(0, 0.1, 5 * RATE_HZ), RATE_HZ)
    path = tmp_path / "beside.html"
    path.write_text(page_html(analysis, audio, None, "song", "p.html"), encoding="utf-8")
    page = opened(path, view="play")
    page.set_input_files("#file", recording)
    until(page, "document.getElementById('file-note').textContent.includes('not the recording')")
    assert state(page, "app.track") is None


@needs_browser
def test_loudness_starts_low_and_the_limiter_holds(opened, page_file):
    page = opened(page_file, view="play")
    assert page.input_value("#level-master") == "30"
    assert page.is_visible("text=Mind your ears")
    loud = page.evaluate(
        """async () => {
            const { app } = window.pulsefindPage;
            const places = app.reading.bars[1] ? ["1", "1e", "1&", "1a"] : [];
            const { samples } = await app.render({ clicks: { kind: "places", places, gapOn: 0 }, startBar: 1 }, 4);
            return samples.reduce((most, x) => Math.max(most, Math.abs(x)), 0);
        }"""
    )
    assert 0.2 < loud <= 0.9


@needs_browser
def test_a_recording_without_a_beat_says_so(opened, tmp_path, audio):
    from pulsefind.analysis import analyse
    from pulsefind.listen.audio import from_samples

    silence = from_samples(np.zeros(2 * RATE_HZ, np.float32), RATE_HZ)
    analysis = analyse(silence, Settings(use_cache=False))
    path = tmp_path / "silence.html"
    path.write_text(page_html(analysis, silence, None, "s.wav", "p.html"), encoding="utf-8")
    page = opened(path)
    assert analysis.warnings[0] in page.inner_text("#answers")
    assert page.is_disabled("#play") and page.is_disabled("#tab-train")


@needs_browser
@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not installed in tests/js")
@pytest.mark.parametrize("light", ["dark", "light"])
def test_no_serious_accessibility_fault(opened, page_file, light):
    page = opened(page_file, 820, color_scheme=light)
    page.evaluate(AXE.read_text())
    for view in VIEWS:
        page.click(f"#tab-{view}")
        if view == "bar":
            page.click("#bar-misreadings button")
        found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")["violations"]
        serious = [
            (fault["id"], [node["html"][:120] for node in fault["nodes"]][:3])
            for fault in found
            if fault["impact"] in ("serious", "critical")
        ]
        assert serious == [], view
