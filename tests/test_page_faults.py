"""What must hold whatever is shown: no request, no foreign script, names as text, no fault of access."""

from pathlib import Path

import numpy as np
import pytest
from pagebrowser import AXE, NASTY, VIEWS, needs_browser, until
from pagemaking import RATE_HZ, song

from pulsefind.core.records import Settings
from pulsefind.page.page import Recording, page_html

pytest_plugins = ("pagebrowser",)


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
        page.click("#tab-ear")
        assert NASTY.replace("'", "'\\''") in page.text_content("#command")


@needs_browser
def test_a_recording_without_a_beat_says_so(opened, tmp_path, audio):
    from pulsefind.analysis import analyse
    from pulsefind.listen.audio import from_samples

    silence = from_samples(np.zeros(2 * RATE_HZ, np.float32), RATE_HZ)
    analysis = analyse(silence, Settings(use_cache=False))
    path = tmp_path / "silence.html"
    path.write_text(page_html(analysis, silence, None, "s.wav", "p.html"), encoding="utf-8")
    page = opened(path)
    assert analysis.warnings[0] in page.inner_text("#facts")
    assert page.is_disabled("#play") and page.is_disabled("#tab-drills")


@needs_browser
@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not installed in tests/js")
@pytest.mark.parametrize("light", ["dark", "light"])
def test_no_serious_accessibility_fault(opened, page_file, light):
    page = opened(page_file, 820, color_scheme=light)
    page.evaluate(AXE.read_text())
    for view in VIEWS:
        page.click(f"#tab-{view}")
        if view == "desk":
            page.click("#closer > summary")
            page.click("#bar-misreadings button")
            page.click(".singles summary >> nth=0")
        found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")["violations"]
        serious = [
            (fault["id"], [node["html"][:120] for node in fault["nodes"]][:3])
            for fault in found
            if fault["impact"] in ("serious", "critical")
        ]
        assert serious == [], view


@needs_browser
@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not installed in tests/js")
@pytest.mark.parametrize("light", ["dark", "light"])
def test_the_stage_has_no_serious_accessibility_fault(opened, page_file, light):
    page = opened(page_file, 844, 390, color_scheme=light)
    page.evaluate(AXE.read_text())
    for bar in (3, 7, 10):
        page.evaluate(f"window.pulsefindPage.app.select({bar})")
        if bar == 3:
            page.click("#stage-open")
        found = page.evaluate("axe.run('#stage', { resultTypes: ['violations'] })")["violations"]
        assert [fault["id"] for fault in found if fault["impact"] in ("serious", "critical")] == []


@needs_browser
@pytest.mark.parametrize("width", [390, 1280])
def test_text_at_twice_its_size_stays_readable(opened, page_file, width):
    page = opened(page_file, width)
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    for view in VIEWS:
        page.click(f"#tab-{view}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, view
        # The road and what is told below it are still both there.
        road = page.locator(".road-drawing").bounding_box()
        dock = page.locator(".transport").bounding_box()
        assert road["y"] + road["height"] < dock["y"], view
    page.evaluate("window.pulsefindPage.app.setLoop({ first: 2, last: 5 })")
    for part in page.locator(".transport :is(button, span, input, output, p):visible").all():
        box = part.bounding_box()
        assert box is None or (box["x"] >= 0 and box["x"] + box["width"] <= width), part.inner_text()


@needs_browser
def test_a_sound_device_that_doesnt_start_is_said(opened, page_file):
    page = opened(page_file)
    page.evaluate("void (AudioContext.prototype.resume = () => new Promise(() => {}))")
    page.click("#play")
    until(page, "document.getElementById('where-guide').textContent.includes(\"device doesn't start\")")
