"""The road and the desk: the whole song seen, reached and looped with pointer, finger and keys."""

import numpy as np
import pytest
from pagebrowser import VIEWS, WIDTHS, needs_browser, state, until
from pagemaking import BREAK

from pulsefind.listen.audio import from_samples
from pulsefind.page.page import OUTLINE_DB, OUTLINE_POINTS, outline

pytest_plugins = ("pagebrowser",)

SIZES = ((390, 844), (844, 390), (768, 1024), (1440, 900), (1920, 1080))


def spot(page, bar, share=0.5):
    """Where on the screen a bar lies on the road, by the road's own rows: x, y."""
    return page.evaluate(
        """([bar, share]) => {
            const { app, page } = window.pulsefindPage;
            const road = page.road;
            const box = document.querySelector(".road-drawing").getBoundingClientRect();
            const row = road.layout.rows.findIndex((r) => r.first <= bar && bar <= r.last);
            const { start, end } = app.reading.bars[bar];
            const t = start + share * (end - start);
            const x = box.left + (t - road.layout.rows[row].from) * road.layout.pace;
            return [x, box.top + ((row + 0.6) * box.height) / road.layout.rows.length];
        }""",
        [bar, share],
    )


def test_the_outline_is_the_loudness_of_each_part():
    # Half the length at full level, half 12 dB lower, by the definition of the decibel.
    rate_hz = 44100
    tone = np.sin(2 * np.pi * 441 * np.arange(18 * rate_hz) / rate_hz)
    tone[9 * rate_hz :] *= 10 ** (-12 / 20)
    found = outline(from_samples(tone.astype(np.float32), rate_hz))
    assert len(found) == OUTLINE_POINTS
    assert set(found[: OUTLINE_POINTS // 2]) == {99}
    assert np.abs(found[OUTLINE_POINTS // 2 :] - 99 * (1 - 12 / OUTLINE_DB)).max() <= 1
    assert not outline(from_samples(np.zeros(rate_hz, np.float32), rate_hz)).any()
    assert len(outline(from_samples(np.zeros(0, np.float32), rate_hz))) == 0


@needs_browser
@pytest.mark.parametrize("width", WIDTHS)
def test_every_view_fits_every_width(opened, page_file, width):
    page = opened(page_file, width)
    for view in VIEWS:
        page.click(f"#tab-{view}")
        # As where the recording is not inside: the box for opening it has to fit as well.
        page.evaluate("document.getElementById('file-box').hidden = false")
        assert page.is_visible(f"#view-{view}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, view
    assert page.is_visible("text=harm hearing")


@needs_browser
@pytest.mark.parametrize("size", SIZES)
def test_the_whole_road_is_above_the_fold_and_stays(opened, page_file, analysis, size):
    page = opened(page_file, *size)
    box = page.locator(".road-drawing").bounding_box()
    dock = page.locator(".transport").bounding_box()
    assert box["y"] >= 0 and box["y"] + box["height"] <= dock["y"]
    assert box["x"] >= 0 and box["x"] + box["width"] <= size[0]
    # Its rows hold all bars, each once.
    rows = page.evaluate("window.pulsefindPage.page.road.layout.rows.map(({ first, last }) => [first, last])")
    bars = [bar for first, last in rows for bar in range(first, last + 1)]
    assert bars == list(range(len(analysis.bars.beats)))
    page.click("#tab-kit")
    page.mouse.move(size[0] / 2, size[1] / 2)
    page.mouse.wheel(0, 3000)
    page.wait_for_timeout(200)
    box = page.locator(".road-drawing").bounding_box()
    assert box["y"] >= 0 and box["y"] + box["height"] < size[1] / 2


@needs_browser
def test_the_plan_is_said_and_equal_bars_are_drawn_once(opened, page_file):
    page = opened(page_file)
    words = page.inner_text("#stretches")
    assert "pickup to bar 8" in words and "bars 9-12" in words and "you carry the time" in words
    assert "pickup to bar 8: the same bar, 8 times" in words and "bars 13-16: the same bar, 4 times" in words
    assert page.locator(".stretch.alone").count() == 1
    assert page.locator("#stretches .count-line").count() == 2
    assert page.locator(".single").count() == 0
    page.click(".singles summary >> nth=1")
    until(page, "document.querySelectorAll('.single').length === 4")
    page.click(".single >> nth=2")
    assert state(page, "app.selected") == 15
    text = page.get_attribute("#road", "aria-valuetext")
    assert text.startswith("bar 15: follow the ") and text.endswith("on 1e, 3a")
    assert page.locator(".no-surface").count() == 1 and len(BREAK) == 4


@needs_browser
def test_a_closer_look_shows_the_hits_and_lays_a_misreading_over(opened, page_file):
    page = opened(page_file)
    page.click("#closer > summary")
    until(page, "document.querySelectorAll('.lens').length === 2")
    assert "1e" in page.inner_text("#bar-table")
    assert page.locator(".wrong-box").count() == 0
    page.click("#bar-misreadings button")
    assert page.locator(".wrong-box").count() == 2
    assert page.get_attribute("#bar-misreadings button", "aria-pressed") == "true"


@needs_browser
def test_playing_moves_the_pointer_and_stops(opened, page_file):
    page = opened(page_file)
    page.click("#play")
    until(page, "document.querySelector('.stretch.now') !== null")
    assert page.inner_text("#play") == "Stop"
    first = page.get_attribute(".road-now", "d")
    until(page, f"document.querySelector('.road-now').getAttribute('d') !== '{first}'")
    assert page.inner_text("#where-bar").startswith(("bar", "pickup"))
    assert "alone in" in page.inner_text("#where-next")
    page.click("#play")
    assert page.inner_text("#play") == "Start"
    assert not state(page, "app.player.playing")


@needs_browser
@pytest.mark.parametrize("size", [(1440, 900), (390, 844)])
def test_a_tap_goes_there_and_a_drag_loops(opened, page_file, analysis, size):
    page = opened(page_file, *size)
    page.evaluate("document.getElementById('speed').value = 125")
    page.dispatch_event("#speed", "change")
    for bar in (0, 5, 16):
        page.mouse.click(*spot(page, bar))
        assert state(page, "app.selected") == bar
    page.click("#tab-kit")
    page.select_option("#count-in", "0")
    page.mouse.move(*spot(page, 2))
    page.mouse.down()
    page.mouse.move(*spot(page, 3), steps=4)
    page.mouse.up()
    assert state(page, "app.loop") == {"first": 2, "last": 3}
    assert page.is_visible("text=Loop bars 2-3")
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
    points = [dict(zip("xy", spot(page, bar), strict=True)) for bar in (1, 2, 3)]
    session = page.context.new_cdp_session(page)
    session.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [points[0]]})
    for k in range(1, 9):
        x = points[0]["x"] + k / 8 * (points[2]["x"] - points[0]["x"])
        session.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x, "y": points[0]["y"]}]})
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    assert state(page, "app.loop") == {"first": 1, "last": 3}


@needs_browser
def test_keys_reach_everything_on_the_road(opened, page_file):
    page = opened(page_file)
    page.focus("#road")
    for key in ("ArrowRight", "ArrowRight", "Shift+ArrowRight", "Shift+ArrowRight"):
        page.keyboard.press(key)
    assert state(page, "app.loop") == {"first": 2, "last": 4}
    assert "loop bars 2-4" in page.get_attribute("#road", "aria-valuetext")
    page.keyboard.press("Escape")
    page.keyboard.press("Home")
    page.keyboard.press("PageUp")
    assert state(page, "app.selected") == 4
    page.keyboard.press("Enter")
    until(page, "window.pulsefindPage.app.player.playing")
    page.focus("#main")
    page.keyboard.press("Space")
    until(page, "!window.pulsefindPage.app.player.playing")
    page.focus("#tab-desk")
    page.keyboard.press("ArrowRight")
    assert page.is_visible("#view-kit")


@needs_browser
def test_with_little_motion_wanted_the_pointer_steps_from_beat_to_beat(opened, page_file, analysis):
    page = opened(page_file, reduced_motion="reduce")
    page.focus("#road")
    page.keyboard.press("Enter")
    until(page, "document.querySelector('.stretch.now') !== null")
    seen = page.evaluate(
        """async () => {
            const seen = new Set();
            const { road } = window.pulsefindPage.page;
            for (let k = 0; k < 60; k += 1) {
                await new Promise((resolve) => setTimeout(resolve, 20));
                const x = Number(/^M([\\d.]+) /.exec(document.querySelector(".road-now").getAttribute("d"))[1]);
                seen.add(road.layout.rows[0].from + x / road.layout.pace);
            }
            return [...seen];
        }"""
    )
    page.click("#play")
    pace = page.evaluate("window.pulsefindPage.page.road.layout.pace")
    assert len(seen) > 1
    # To the tenth of a pixel that the drawing is rounded to.
    assert all(np.abs(analysis.beats.time_s - at_s).min() <= 0.06 / pace for at_s in seen)


@needs_browser
def test_printing_leaves_the_controls_out(opened, page_file):
    page = opened(page_file)
    page.emulate_media(media="print")
    assert not page.is_visible(".transport") and not page.is_visible(".views")
    assert page.is_visible(".road-drawing") and page.is_visible(".stretch >> nth=0")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.pdf(format="A4").startswith(b"%PDF")
