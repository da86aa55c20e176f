"""What the page plays, rendered by its own scheduler and measured here; and a recording beside the page."""

import base64
import io
import re

import numpy as np
import pytest
import soundfile
from pagebrowser import needs_browser, onsets, rendered, seams_db, state, until
from pagemaking import RATE_HZ

from pulsefind.listen.audio import from_samples
from pulsefind.page.page import Recording, page_html

pytest_plugins = ("pagebrowser",)


@needs_browser
def test_clicks_lie_on_the_beats(opened, page_file, analysis):
    page = opened(page_file)
    begin, seconds = analysis.bars.start_s[0], 20.0
    samples = rendered(page, {"clicks": {"on": "beats", "places": [], "gapOn": 0}, "startBar": 0}, seconds)
    expected = analysis.beats.time_s - begin
    expected = expected[expected < seconds - 0.1]
    error_ms = 1000 * np.abs(onsets(samples, RATE_HZ, expected) - expected)
    assert len(expected) > 40 and error_ms.max() < 1.0
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
        "clicks": {"on": "places", "places": ["1", "2&"], "gapOn": 0},
        "startBar": 1,
        "speed": speed,
        "countInBars": 1,
    }
    samples = rendered(page, options, 14.0)
    beat = analysis.beats.time_s
    first = int(analysis.bars.first_beat[1])
    # One bar is counted in at the mean pace of the bar that follows.
    step = (beat[first + 4] - beat[first]) / 4
    lead = 4 * step / speed
    ones = beat[first::4]
    ands = 0.5 * (beat[first + 1 :: 4][: len(ones)] + beat[first + 2 :: 4][: len(ones)])
    expected = np.sort(np.r_[np.arange(4) * step / speed, lead + (np.r_[ones, ands] - beat[first]) / speed])
    expected = expected[expected < 13.9]
    assert 1000 * np.abs(onsets(samples, RATE_HZ, expected) - expected).max() < 1.0


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
    assert len(expected) > 6 and error_ms.max() < 1.0


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
    page = opened(page_file, view="kit")
    page.click("#view-kit summary")
    page.click("#check-timing")
    until(page, "document.getElementById('timing-note').textContent.includes('clicks')")
    worst = float(re.search(r"farthest ([\d.]+) ms", page.inner_text("#timing-note"))[1])
    assert worst < 1.0


@needs_browser
def test_tapping_counts_makes_a_click_set(opened, page_file):
    page = opened(page_file, view="kit")
    for place in ("2&", "4&", "1"):
        page.click(f"[data-place='{place}']")
    page.click("[data-place='1']")
    assert state(page, "app.clicks.places") == ["2&", "4&"]
    assert page.get_attribute("[data-place='2&']", "aria-pressed") == "true"
    page.check("#preset-backbeat")
    assert state(page, "app.clicks.on") == "backbeat"
    assert page.get_attribute("[data-place='2&']", "aria-pressed") == "false"


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
    page = opened(path, view="kit")
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
    page = opened(path, view="kit")
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
    page = opened(path, view="kit")
    page.set_input_files("#file", recording)
    until(page, "document.getElementById('file-note').textContent.includes('not the recording')")
    assert state(page, "app.track") is None


@needs_browser
def test_loudness_starts_low_and_the_limiter_holds(opened, page_file):
    page = opened(page_file, view="kit")
    assert page.input_value("#level-master") == "30"
    assert page.is_visible("text=Mind your ears")
    loud = page.evaluate(
        """async () => {
            const { app } = window.pulsefindPage;
            const places = app.reading.bars[1] ? ["1", "1e", "1&", "1a"] : [];
            const { samples } = await app.render({ clicks: { on: "places", places, gapOn: 0 }, startBar: 1 }, 4);
            return samples.reduce((most, x) => Math.max(most, Math.abs(x)), 0);
        }"""
    )
    assert 0.2 < loud <= 0.9


@needs_browser
@pytest.mark.parametrize("speed", [1.0, 0.8])
def test_the_seam_of_a_loop_does_not_crack(opened, page_file, speed):
    """A steady low tone through a loop: at its seams nothing stands out above 5 kHz, where a crack would be heard."""
    page = opened(page_file)
    assert seams_db(page, speed) < -50


@needs_browser
def test_twenty_minutes_of_looping_do_not_drift(opened, page_file):
    """Where each pass starts after 20 minutes, against the exact sum of lengths: a sample at most."""
    page = opened(page_file)
    starts, length_s, rate_hz = page.evaluate(
        """async () => {
            const { app } = window.pulsefindPage;
            const mixer = await app.readyMixer();
            const clicks = { on: "none", places: [] };
            await app.play({ startBar: 1, loop: { first: 1, last: 4 }, clicks, countInBars: 0 });
            const { scheduler } = app.player;
            const first = scheduler.segments[0].at;
            const seen = [];
            const push = scheduler.segments.push.bind(scheduler.segments);
            scheduler.segments.push = (segment) => seen.push(segment.at - first) && push(segment);
            scheduler.pump(first + 1200);
            app.player.stop();
            const { bars } = app.reading;
            return [seen, bars[5].start - bars[1].start, mixer.context.sampleRate];
        }"""
    )
    exact_s = length_s * np.arange(1, len(starts) + 1)
    assert starts[-1] > 1190
    # Each pass begins on a sample, the first one too.
    assert np.abs(np.array(starts) - exact_s).max() <= 1.0 / rate_hz


@needs_browser
def test_device_and_recording_are_ready_before_start_is_pressed(opened, page_file):
    """Both take longer than a press may go unanswered, so the first move of a pointer begins them."""
    page = opened(page_file, view=None)
    page.wait_for_timeout(300)
    assert state(page, "app.player.mixer === null && app.recording === null")
    page.mouse.move(300, 300)
    until(page, "window.pulsefindPage.app.track")
    assert state(page, "[app.player.playing, app.player.mixer.context.state]") == [False, "suspended"]
    assert page.locator(".recording").count() == 0
    page.click("#play")
    until(page, "window.pulsefindPage.app.player.playing")


@needs_browser
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_a_recording_cut_into_pieces_is_what_it_was(opened, tmp_path, analysis, rate_hz):
    """Loud stereo noise through eight seams, at devices' usual rates: beside the browser's decoding of one whole file.

    A seam where the two differ would be heard as a crack. At 44.1 kHz every sample is that of the 16-bit FLAC file.
    """
    frames = np.random.default_rng(8).uniform(-0.9, 0.9, (16 * RATE_HZ + 1234, 2)).astype(np.float32)
    noise = from_samples(frames, RATE_HZ)
    path = tmp_path / "noise.html"
    path.write_text(page_html(analysis, noise, Recording(frames, "", ""), "n.wav", "n.html"), encoding="utf-8")
    whole = io.BytesIO()
    soundfile.write(whole, frames, RATE_HZ, format="FLAC", subtype="PCM_16")
    page = opened(path, view=None)
    assert page.locator(".recording").count() == 9
    page.evaluate(
        """(rate) => {
            const { app } = window.pulsefindPage;
            const context = new OfflineAudioContext(2, 1, rate);
            app.player.mixer = { context };
            app.readAhead();
        }""",
        rate_hz,
    )
    until(page, "window.pulsefindPage.app.track")
    length, channels, worst = page.evaluate(
        """async ([text, rate]) => {
            const { buffer } = window.pulsefindPage.app.track;
            const bytes = Uint8Array.from(atob(text), (character) => character.charCodeAt(0));
            const whole = await new OfflineAudioContext(2, 1, rate).decodeAudioData(bytes.buffer);
            let worst = 0;
            for (let c = 0; c < 2; c += 1) {
                const [a, b] = [buffer.getChannelData(c), whole.getChannelData(c)];
                const shared = Math.min(a.length, b.length);
                for (let k = 0; k < shared; k += 1) worst = Math.max(worst, Math.abs(a[k] - b[k]));
            }
            return [[buffer.length, whole.length], buffer.numberOfChannels, worst];
        }""",
        [base64.b64encode(whole.getvalue()).decode(), rate_hz],
    )
    assert channels == 2 and abs(length[0] - length[1]) <= 1
    assert worst < 1e-6


@needs_browser
def test_a_finger_that_scrolls_reads_no_recording(opened, page_file):
    page = opened(page_file, view=None)
    page.evaluate(
        """() => {
            for (const type of ["pointerdown", "pointermove", "pointercancel"])
                document.body.dispatchEvent(new PointerEvent(type, { pointerType: "touch", bubbles: true }));
        }"""
    )
    until(page, "window.pulsefindPage.app.player.mixer")
    page.wait_for_timeout(200)
    assert state(page, "app.recording === null")


@needs_browser
def test_a_second_press_takes_a_start_back_that_still_waits(opened, page_file):
    page = opened(page_file, view=None)
    page.evaluate(
        """() => {
            const { app } = window.pulsefindPage;
            app.recording = new Promise((resolve) => { window.read = resolve; });
        }"""
    )
    page.click("#play")
    until(page, "document.getElementById('play').textContent === 'Reading'")
    page.click("#play")
    until(page, "document.getElementById('play').textContent === 'Start'")
    page.evaluate("window.read()")
    page.wait_for_timeout(300)
    assert state(page, "[app.player.playing, document.body.classList.contains('playing')]") == [False, False]


@needs_browser
def test_a_recording_that_cant_be_decoded_is_said(opened, page_file):
    page = opened(page_file, view=None)
    page.evaluate("void (AudioContext.prototype.decodeAudioData = () => Promise.reject(new Error('no memory')))")
    page.click("#play")
    until(page, "document.getElementById('where-guide').textContent.includes(\"can't read the recording\")")
    assert page.inner_text("#play") == "Start"
