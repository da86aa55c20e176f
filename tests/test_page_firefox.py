"""The page in Firefox: it reads its recording, clicks on the beats, plays in time, goes round a loop."""

import base64

import numpy as np
import pytest
from firefoxdriver import FirefoxPage, needs_firefox
from pagebrowser import onsets, rendered, seams_db, state, until
from pagemaking import RATE_HZ

pytest_plugins = ("pagebrowser",)

FRAMES = """async (seconds) => {
    const { app } = window.pulsefindPage;
    const seen = [];
    app.on("moved", ({ song }) => {
        const count = document.getElementById("stage-count").textContent;
        const lit = [...document.querySelectorAll("#stage .lamp.lit")];
        seen.push([song, count, lit.map((lamp) => lamp.dataset.place)]);
    });
    const from = performance.now();
    const device = app.player.mixer.context.currentTime;
    await new Promise((resolve) => setTimeout(resolve, 1000 * seconds));
    return [seen, app.player.mixer.context.currentTime - device, (performance.now() - from) / 1000];
}"""


@pytest.fixture(scope="module")
def firefox(tmp_path_factory):
    page = FirefoxPage(tmp_path_factory.mktemp("firefox"))
    yield page
    page.close()


@pytest.fixture
def page(firefox, page_file):
    firefox.open(page_file)
    until(firefox, "document.querySelector('.fact')")
    yield firefox
    firefox.evaluate("window.pulsefindPage.app.stop()")


@needs_firefox
def test_firefox_clicks_on_the_beats(page, analysis):
    begin, seconds = analysis.bars.start_s[0], 12.0
    samples = rendered(page, {"clicks": {"on": "beats", "places": [], "gapOn": 0}, "startBar": 0}, seconds)
    expected = analysis.beats.time_s - begin
    expected = expected[expected < seconds - 0.1]
    error_ms = 1000 * np.abs(onsets(samples, RATE_HZ, expected) - expected)
    assert len(expected) > 20 and error_ms.max() < 1.0


@needs_firefox
def test_firefox_reads_the_recording_out_of_the_page(page, audio):
    """Eighteen pieces, put together again, are the samples that went in, to the step of 16 bits."""
    page.evaluate(
        """() => {
            const { app } = window.pulsefindPage;
            app.player.mixer = { context: new OfflineAudioContext(2, 1, 44100) };
            app.readAhead();
        }"""
    )
    until(page, "window.pulsefindPage.app.track")
    text = page.evaluate(
        """() => {
            const samples = window.pulsefindPage.app.track.buffer.getChannelData(0);
            const bytes = new Uint8Array(samples.buffer, samples.byteOffset, samples.byteLength);
            let text = "";
            for (let k = 0; k < bytes.length; k += 8192) text += String.fromCharCode(...bytes.subarray(k, k + 8192));
            return btoa(text);
        }"""
    )
    heard = np.frombuffer(base64.b64decode(text), "<f4")
    assert len(heard) == len(audio.samples)
    assert np.abs(heard - audio.samples).max() < 1.01 / 32768


SOUNDS = """async () => {
    const context = new AudioContext();
    context.resume();
    await new Promise((resolve) => setTimeout(resolve, 2000));
    return context.currentTime > 0;
}"""


@pytest.fixture(scope="module")
def sounding(firefox, page_file):
    firefox.open(page_file)
    if not firefox.evaluate(SOUNDS):
        pytest.skip("no sound device that Firefox can use: it waits for one for ever")


@needs_firefox
def test_in_firefox_a_place_is_lit_in_the_first_frame_after_its_click(sounding, page, analysis):
    page.evaluate("window.pulsefindPage.app.select(1)")
    page.click("#stage-open")
    page.evaluate("window.pulsefindPage.app.countInBars = 0")
    page.click("#stage-start")
    until(page, "window.pulsefindPage.app.player.playing")
    seen, device_s, clock_s = page.evaluate(FRAMES, 5.0)
    assert device_s == pytest.approx(clock_s, abs=0.1)
    song_s = np.array([frame[0] for frame in seen])
    assert len(seen) > 60 and np.all(np.diff(song_s) >= 0)
    counts = analysis.bars.count[np.searchsorted(analysis.beats.time_s, song_s, side="right") - 1]
    assert [frame[1] for frame in seen] == [str(count) for count in counts]
    # Every place is lit in the first frame that comes after its click, and not before it.
    hits, checked = analysis.guides[0].hits, 0
    for at_s, place in zip(hits.time_s, hits.place, strict=True):
        beat = int(np.searchsorted(analysis.beats.time_s, at_s + 0.02) - 1)
        start, end = analysis.beats.time_s[beat], analysis.beats.time_s[beat + 1]
        first = int(np.searchsorted(song_s, start + {"e": 0.25, "a": 0.75}[place[1:]] * (end - start)))
        if 0 < first < len(seen) - 1:
            assert place in seen[first][2] and place not in seen[first - 1][2]
            checked += 1
    assert checked >= 4


@needs_firefox
def test_firefox_goes_round_a_loop(sounding, page, analysis):
    page.evaluate("window.pulsefindPage.app.setLoop({ first: 1, last: 1 })")
    page.evaluate("window.pulsefindPage.app.countInBars = 0")
    page.click("#play")
    until(page, "window.pulsefindPage.app.player.scheduler?.segments.length >= 3")
    at, until_s = state(page, "app.player.scheduler.segments.slice(0, 3).map(({ at, until }) => [at, until])")[1]
    assert until_s - at == pytest.approx(analysis.bars.start_s[2] - analysis.bars.start_s[1], abs=1e-3)
    assert seams_db(page, 1.0) < -50
