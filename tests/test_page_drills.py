"""The drills, with taps whose times are known."""

import numpy as np
import pytest
from pagebrowser import TAP, needs_browser, state, until

pytest_plugins = ("pagebrowser",)


@needs_browser
def test_the_delay_of_the_device_is_measured_and_kept(opened, page_file):
    page = opened(page_file, view="drills")
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
    page = opened(page_file, view="drills")
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
    page = opened(page_file, view="drills")
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
    # Twelve taps from beat 5 on, a bar a stage: bars 2, 3 and 4 of the run.
    stages = page.inner_text("#hold-stages")
    assert "clicked: " in stages and "give or take" in stages
    kept = page.evaluate("JSON.parse(localStorage.getItem('pulsefind.progress'))")
    assert kept[-1]["drill"] == "hold it" and kept[-1]["taps"] == 12


@needs_browser
def test_a_midi_note_counts_as_a_tap(opened, page_file):
    page = opened(page_file, view="drills")
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
def test_no_riddle_is_asked_that_the_sound_cant_answer(opened, page_file):
    page = opened(page_file, view="drills")
    page.evaluate("window.pulsefindPage.app.reading.guides.forEach((guide) => { guide.findsOne = false; })")
    page.click("#one-start")
    assert "would only be a guess" in page.inner_text("#one-note")
    assert not state(page, "app.player.playing")


@needs_browser
def test_in_a_riddle_the_bass_comes_in_and_then_the_band(opened, page_file, analysis):
    """Rendered: a low tone and a high one stand for bass and band; each is silent until its time."""
    page = opened(page_file)
    rate_hz = 44100
    found = page.evaluate(
        """async () => {
            const { app } = window.pulsefindPage;
            const { bars } = app.reading;
            const rate = 44100;
            const buffer = new AudioBuffer({ numberOfChannels: 1, length: 20 * rate, sampleRate: rate });
            const tones = Float32Array.from(
                { length: 20 * rate },
                (_, k) => [60, 3000].reduce((sum, hz) => sum + 0.2 * Math.sin((2 * Math.PI * hz * k) / rate), 0),
            );
            buffer.copyToChannel(tones, 0);
            const blend = { bass: bars[2].start, band: bars[5].start };
            const options = { startBar: 1, clicks: null, blend };
            const { samples } = await app.render(options, 10, { buffer, delay: 0, anchors: [] });
            return Array.from(samples.filter((_, k) => k % 4 === 0));
        }"""
    )
    samples, step_hz = np.array(found), rate_hz / 4
    # 3 kHz lies below half of the thinned rate, so nothing folds onto it.
    at_s = analysis.bars.start_s - analysis.bars.start_s[1]

    def level(hz, from_s, to_s):
        t = np.arange(int(from_s * step_hz), int(to_s * step_hz)) / step_hz
        part = samples[int(from_s * step_hz) : int(to_s * step_hz)]
        return 2 * abs(np.mean(part * np.exp(-2j * np.pi * hz * t)))

    assert level(60, 0.1, at_s[2] - 0.05) < 0.002 and level(3000, 0.1, at_s[2] - 0.05) < 0.002
    assert level(60, at_s[2] + 1.6, at_s[5]) > 0.1 and level(3000, at_s[2] + 1.6, at_s[5]) < 0.01
    assert level(60, at_s[5] + 2, 10) > 0.1 and level(3000, at_s[5] + 2, 10) > 0.08
