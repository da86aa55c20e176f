"""On stage: what is shown comes when it sounds, keys and pads drive it, and speed that ramps stays on the beats."""

import numpy as np
import pytest
from pagebrowser import needs_browser, onsets, rendered, state, until

pytest_plugins = ("pagebrowser",)

RATE_HZ = 44100
FRAMES = """async (seconds) => {
    const { app } = window.pulsefindPage;
    const seen = [];
    app.on("moved", ({ song }) => {
        const lit = document.querySelectorAll("#stage .lamp.lit");
        const count = document.getElementById("stage-count").textContent;
        seen.push([song, count, [...lit].map((lamp) => lamp.dataset.place)]);
    });
    await new Promise((resolve) => setTimeout(resolve, 1000 * seconds));
    return seen;
}"""


def start_on_stage(page, bar=0):
    page.select_option("#count-in", "0")
    page.evaluate(f"window.pulsefindPage.app.select({bar})")
    page.click("#stage-open")
    page.keyboard.press("PageDown")
    until(page, "window.pulsefindPage.app.player.playing")


@needs_browser
def test_a_place_is_lit_in_the_first_frame_after_its_click(opened, page_file, analysis):
    """By the page's own clock of what is heard; the click itself is measured in rendered sound elsewhere."""
    page = opened(page_file, view="kit")
    start_on_stage(page, 1)
    seen = page.evaluate(FRAMES, 5.0)
    song_s = np.array([frame[0] for frame in seen])
    assert len(seen) > 60
    hits = analysis.guides[0].hits
    places = dict(zip(hits.time_s.tolist(), hits.place, strict=True))
    checked = 0
    for at_s in np.array(list(places)):
        # The place on the grid, of which the player hears the click: the quarter of a beat that the hit belongs to.
        beat = int(np.searchsorted(analysis.beats.time_s, at_s + 0.02) - 1)
        start, end = analysis.beats.time_s[beat], analysis.beats.time_s[beat + 1]
        click_s = start + {"e": 0.25, "a": 0.75}[places[at_s][1:]] * (end - start)
        first = int(np.searchsorted(song_s, click_s))
        if first == 0 or first + 1 >= len(song_s):
            continue
        assert places[at_s] in seen[first][2]
        assert places[at_s] not in seen[first - 1][2]
        checked += 1
    assert checked >= 4
    counts = analysis.bars.count[np.searchsorted(analysis.beats.time_s, song_s, side="right") - 1]
    assert [frame[1] for frame in seen] == [str(count) for count in counts]


@needs_browser
def test_keys_pedals_and_a_pad_drive_it(opened, page_file):
    page = opened(page_file, view="kit")
    page.select_option("#count-in", "0")
    page.click("#stage-open")
    page.focus("#stage-back")
    for key in ("Space", "PageDown", "ArrowRight"):
        if key == "Space":
            page.focus("#stage-start")
        page.keyboard.press(key)
        until(page, "window.pulsefindPage.app.player.playing")
        page.keyboard.press("PageDown")
        until(page, "!window.pulsefindPage.app.player.playing")
    strike = """() => {
        const { app, heardPad } = window.pulsefindPage;
        const pad = { data: [0x99, 38, 100], timeStamp: performance.now() };
        heardPad(pad, (timeStamp) => app.padStruck(timeStamp));
    }"""
    page.evaluate(strike)
    until(page, "window.pulsefindPage.app.player.playing")
    page.evaluate(strike)
    assert state(page, "app.player.playing")
    page.keyboard.press("PageUp")
    assert state(page, "app.selected") == 0
    page.keyboard.press("Escape")
    assert page.is_hidden("#stage")
    page.click("#play")


@needs_browser
def test_what_comes_is_said_before_it_comes(opened, page_file):
    page = opened(page_file)
    page.click("#stage-open")
    # Bar 8 is the last before the break, the second of its two last bars.
    for bar, words, soon in (
        (2, "alone in 7 bars", False),
        (7, "alone in 2 bars", True),
        (8, "from the next bar", True),
    ):
        page.evaluate(f"window.pulsefindPage.app.select({bar})")
        assert words in page.inner_text("#stage-next")
        assert ("soon" in page.get_attribute("#stage", "class").split()) == soon
    page.evaluate("window.pulsefindPage.app.select(10)")
    assert page.inner_text("#stage-what") == "alone"
    doubt = {"first": 13, "last": 14, "whole": False, "text": "the 1 may be elsewhere"}
    page.evaluate("(doubt) => window.pulsefindPage.app.reading.doubts.push(doubt)", doubt)
    page.evaluate("window.pulsefindPage.app.select(12)")
    assert "the 1 in doubt from the next bar" in page.inner_text("#stage-next")


@needs_browser
@pytest.mark.parametrize("size", [(390, 844), (844, 390), (768, 1024), (1440, 900), (1920, 1080)])
@pytest.mark.parametrize("text", ["100%", "200%"])
def test_everything_on_stage_is_in_sight(opened, page_file, size, text):
    page = opened(page_file, *size)
    page.evaluate("(text) => { document.documentElement.style.fontSize = text; }", text)
    page.click("#stage-open")
    # A name and places as long as they come, and the longest warning.
    page.evaluate("window.pulsefindPage.app.reading.guides[0].called = 'second lower bright wash'")
    page.evaluate("window.pulsefindPage.app.select(3)")
    page.evaluate(
        "document.getElementById('stage-next').textContent = 'the 1 in doubt in 12 bars, then alone in 16 bars'"
    )
    for part in page.locator("#stage > *:not(.unseen)").all():
        box = part.bounding_box()
        assert box["x"] >= 0 and box["y"] >= 0, part.get_attribute("id")
        assert box["x"] + box["width"] <= size[0] + 1, part.get_attribute("id")
        assert box["y"] + box["height"] <= size[1] + 1, part.get_attribute("id")


@needs_browser
@pytest.mark.parametrize("size", [(390, 844), (844, 390), (1440, 900)])
def test_it_can_be_read_from_two_metres(opened, page_file, size):
    """Letters of 10 minutes of arc, twice what normal sight just reads (Snellen), also on a phone of 140 mm by 65."""
    page = opened(page_file, *size)
    page.click("#stage-open")
    assert page.evaluate("document.getElementById('stage').scrollHeight") <= size[1]
    pixels_a_mm = 844 / 140 if 844 in size else 1440 / 310
    for name, least in (("stage-count", 40), ("stage-bar", 10), ("stage-what", 10)):
        height_px = page.evaluate(f"parseFloat(getComputedStyle(document.getElementById('{name}')).fontSize)")
        # Capitals and figures are about 0.73 of the size of this type.
        minutes = np.degrees(np.arctan(0.73 * height_px / pixels_a_mm / 2000)) * 60
        assert minutes >= least, (name, minutes)


@needs_browser
def test_speed_ramps_from_pass_to_pass_and_clicks_stay_on_the_beats(opened, page_file, analysis):
    page = opened(page_file)
    options = {
        "clicks": {"on": "beats", "places": [], "gapOn": 0},
        "startBar": 1,
        "loop": {"first": 1, "last": 2},
        "speed": 0.7,
        "ramp": {"step": 0.2, "to": 1.0},
    }
    samples = rendered(page, options, 14.0)
    begin, end = analysis.bars.start_s[1], analysis.bars.start_s[3]
    beats = analysis.beats.time_s[(analysis.beats.time_s >= begin) & (analysis.beats.time_s < end)] - begin
    starts, expected = 0.0, []
    for speed in (0.7, 0.9, 1.0, 1.0):
        expected += list(starts + beats / speed)
        starts += (end - begin) / speed
    before_the_end = np.array([t for t in expected if t < 13.9])
    assert 1000 * np.abs(onsets(samples, RATE_HZ, before_the_end) - before_the_end).max() < 1.0


@needs_browser
def test_silent_bars_are_off_until_asked_for(opened, page_file):
    page = opened(page_file, view="kit")
    assert page.inner_text("#gap-note") == "Off: every bar clicks."
    page.fill("#gap-on", "3")
    page.fill("#gap-off", "1")
    page.dispatch_event("#gap-off", "change")
    assert page.inner_text("#gap-note") == "3 bars with clicks, then 1 bar without, and again."
    page.fill("#ramp-step", "5")
    page.dispatch_event("#ramp-step", "change")
    assert state(page, "app.ramp") == {"step": 0.05, "to": 1}
    assert "bpm" in page.inner_text("#speed-out")
