"""Who has never seen the page: three steps from opening it to having recorded oneself, and what stands in the way."""

import pytest
from pagebrowser import needs_browser, state, until

pytest_plugins = ("pagebrowser",)

PHONE, ACROSS, LAPTOP = (390, 844), (844, 390), (1440, 900)

COVERED = """(selector) => [...document.querySelectorAll(selector)].filter((part) => {
    const box = part.getBoundingClientRect();
    const [x, y] = [box.left + box.width / 2, box.top + box.height / 2];
    return !part.contains(document.elementFromPoint(x, y));
}).map((part) => part.textContent)"""


@needs_browser
def test_three_steps_lead_to_a_take(opened, page_file):
    page = opened(page_file)
    led = state(page, "app.reading.guides[0].called")
    assert page.inner_text("#step-hear") == f"1. Hear the {led}"
    page.click("#step-hear")
    until(page, "window.pulsefindPage.app.player.playing")
    run = "app.player.scheduler.run"
    assert state(page, f"{run}.guide") == "plan" and state(page, f"{run}.loop") is None
    assert state(page, "app.levels.guide") > 0.5 and page.input_value("#level-guide") == "60"
    assert "brought forward" in page.inner_text("#steps-note")
    page.click("#step-play")
    until(page, f"window.pulsefindPage.{run}.loop")
    first, last = state(page, f"[{run}.loop.first, {run}.loop.last].map((k) => app.reading.bars[k].number)")
    assert page.inner_text("#steps-note").startswith(f"Bars {first}-{last} go round") and first == 1
    page.click("#step-record")
    assert page.is_visible("#view-drills") and not state(page, "app.player.playing")
    assert page.evaluate("document.activeElement.id") == "record-start"
    # Who has done all three is not told again.
    assert page.evaluate("localStorage.getItem('pulsefind.steps')") == "true"


@needs_browser
@pytest.mark.parametrize("size", [PHONE, ACROSS, LAPTOP])
def test_what_a_riddle_asks_is_never_behind_the_tap_pad(opened, page_file, size):
    page = opened(page_file, *size, view="drills")
    page.click("#one-start")
    until(page, "window.pulsefindPage.drills.findOne.riddle && window.pulsefindPage.app.player.playing")
    page.wait_for_timeout(100)
    assert len(page.query_selector_all("#one-names button")) >= 8
    assert page.evaluate(COVERED, "#one-names button") == []
    assert page.evaluate(COVERED, "#tap") == [] and not page.is_visible("#hold-start")
    # Named by keys, the riddle leaves the focus where the next one begins.
    page.focus("#one-names button")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "one-start"
    page.click("#play")
    assert page.is_visible("#hold-start")


@needs_browser
def test_start_stays_where_it_is_when_a_loop_is_laid(opened, page_file):
    page = opened(page_file, *PHONE)
    left = page.locator("#play").bounding_box()["x"]
    page.evaluate("window.pulsefindPage.app.setLoop({ first: 2, last: 5 })")
    page.wait_for_timeout(100)
    start, bar = page.locator("#play").bounding_box(), page.locator("#where-bar").bounding_box()
    assert start["x"] == left and abs(start["y"] + start["height"] / 2 - bar["y"] - bar["height"] / 2) < 30


@needs_browser
def test_what_a_take_asks_to_practise_begins_in_the_page(opened, page_file):
    page = opened(page_file, view="take")
    command = page.inner_text("#take-next pre")
    on, off = (int(bars) for bars in command.split("--clickless ")[1].split(":"))
    page.click("#take-next button")
    until(page, "window.pulsefindPage.app.player.playing")
    clicks = state(page, "app.player.scheduler.run.clicks")
    assert (clicks["on"], clicks["gapOn"], clicks["gapOff"]) == ("beats", on, off)
    page.click("#tab-kit")
    assert (page.input_value("#gap-on"), page.input_value("#gap-off")) == (str(on), str(off))
    assert page.inner_text("#gap-note").startswith(f"{on} bar")


@needs_browser
@pytest.mark.parametrize("size", [PHONE, ACROSS, LAPTOP])
def test_what_the_song_does_not_have_is_out_of_sight(opened, page_file, size):
    # A grid for a control's parts is told by more words than "hidden", and so showed what had been hidden.
    page = opened(page_file)
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.evaluate("for (const part of document.querySelectorAll('label, button, section, p')) part.hidden = true;")
    assert page.evaluate("[...document.querySelectorAll('[hidden]')].every((p) => !p.getClientRects().length)")
