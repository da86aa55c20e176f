"""The drills, with taps whose times are known."""

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
