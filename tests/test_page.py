"""What is in the page's file: data, scripts, the recording; and the scripts by themselves."""

import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from pagebrowser import JS_TESTS, needs_browser, needs_node
from pagemaking import RATE_HZ

import pulsefind
from pulsefind.core.corrections import Corrections, Section
from pulsefind.core.records import Settings
from pulsefind.listen.audio import load
from pulsefind.page.assets import joined_script
from pulsefind.page.page import hint_words, page_data, page_html, read_recording

pytest_plugins = ("pagebrowser",)


def test_data_has_the_plan_and_counts_of_the_analysis(analysis, audio):
    data = page_data(analysis, audio, True, "a.wav", "a.html")
    # The pickup goes with the bar after it, as in the list of alone stretches.
    assert data["plan"] == [0] * 9 + [-1] * 4 + [0] * 4
    assert [place["label"] for place in data["guides"][0]["places"]] == ["1e", "3a"]
    assert data["phrase"] == 4
    assert np.allclose(data["beats"]["time"], analysis.beats.time_s, atol=1e-5)
    json.dumps(data, allow_nan=False)


def test_sections_that_were_named_stand_on_the_road(analysis, audio):
    sections = (Section("intro", 1, 4), Section("verse", 9, 99), Section("beyond", 40, 44))
    named = replace(analysis, settings=replace(analysis.settings, corrections=Corrections("So", sections=sections)))
    data = page_data(named, audio, True, "a.wav", "a.html")
    assert data["sections"] == [
        {"name": "intro", "first": 1, "last": 4},
        {"name": "verse", "first": 9, "last": 16},
    ]
    assert '<h1 dir="auto">So</h1>' in page_html(named, audio, None, "a.wav", "a.html")


def test_hints_are_kept_for_the_command():
    settings = Settings(meter=(7, 8), bpm_low=80, bpm_high=100, one_at_s=1.5, start_s=30)
    assert hint_words(settings) == [["--meter", "7/8"], ["--bpm", "80:100"], ["--one-at", "1.50"], ["--range", "30-"]]
    assert hint_words(Settings(taps_s=(1.0, 1.5))) == [["--taps", "TAPS.txt"]]
    assert hint_words(Settings(network="both")) == [["--network", "both"]]
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
