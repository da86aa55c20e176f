"""Corrections in the page, the command that keeps them; and the view of a take."""

from dataclasses import replace

import numpy as np
import pytest
from pagebrowser import NASTY, needs_browser, state, until

from pulsefind.core.records import Alternative
from pulsefind.page.page import page_html
from pulsefind.song.reading import read_song

pytest_plugins = ("pagebrowser",)


@needs_browser
def test_corrections_relabel_at_once_and_show_the_command(opened, page_file):
    page = opened(page_file, view="ear")
    assert page.inner_text("#command") == "pulsefind page in/Paper.wav --out p.html --force"
    page.click("#fix-later")
    assert "now falls on 2a, 4e" in page.inner_text("#fix-note")
    one_s = state(page, "app.reading.bars.find((bar) => bar.firstCount === 1).start")
    assert f"--one-at {one_s:.3f}" in page.inner_text("#command")
    page.click("#tab-desk")
    assert "on 2a, 4e" in page.get_attribute("#road", "aria-valuetext")
    page.click("#tab-ear")
    page.click("#fix-undo")
    assert page.inner_text("#command") == "pulsefind page in/Paper.wav --out p.html --force"
    page.click("#fix-half")
    assert "--bpm" in page.inner_text("#command")
    page.click("#fix-undo")
    page.click("#fix-double")
    # 0.25 and 2.75 beats after the 1 are 0.5 and 5.5 beats at twice the tempo, the latter in the next bar.
    assert "now falls on 1&, 2&" in page.inner_text("#fix-note")
    page.click("#fix-undo")
    page.click("#tab-desk")
    page.focus("#road")
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.click("#tab-ear")
    page.click("#fix-drawing button >> nth=3")
    assert state(page, "app.corrections") == [{"kind": "shift", "beats": -1}]


@needs_browser
def test_the_one_can_be_tapped_while_it_plays(opened, page_file):
    page = opened(page_file, view="ear")
    page.click("#fix-tap")
    assert "Play the song first" in page.inner_text("#fix-note")
    page.click("#tab-kit")
    page.select_option("#count-in", "0")
    page.click("#tab-ear")
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
    page.click("#take-bars summary")
    rows = page.evaluate(
        """() => [...document.querySelectorAll('#take-table tbody tr')].map(
            (row) => [...row.children].map((cell) => cell.textContent))"""
    )
    assert len(rows) == len(np.unique(bar))
    drawn = "".join(page.get_attribute(f"#take-course .ribbon-{side}", "d") for side in ("early", "late"))
    assert drawn.count("M") == len(offset)
    worst = max(np.unique(bar), key=lambda k: abs(offset[bar == k].mean()) if (bar == k).sum() > 1 else 0)
    assert page.inner_text("#take-worst li >> nth=0").startswith(f"bar {worst}")
    page.click("#take-worst button >> nth=0")
    until(page, "window.pulsefindPage.app.player.playing")
    page.click("#play")
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
    page.click("[role=tab][aria-controls=view-ear]")
    page.click("#fix-later")
    page.click("[role=tab][aria-controls=view-take]")
    assert "keep the counts and bar numbers of the review" in page.inner_text("#take-words")


@needs_browser
def test_without_a_take_there_is_no_view_of_one(opened, tmp_path, analysis, audio, take):
    path = tmp_path / "none.html"
    path.write_text(page_html(analysis, audio, None, "a.wav", "p.html"), encoding="utf-8")
    page = opened(path)
    assert page.locator("[role=tab]").count() == 4
    path.write_text(page_html(analysis, audio, None, "a.wav", "p.html", take=take), encoding="utf-8")
    page = opened(path, view="ear")
    assert "--take" in page.inner_text("#command") and "--history" in page.inner_text("#command")
    assert "--audio beside" in page.inner_text("#command")


@needs_browser
def test_the_songs_file_is_read_back_by_its_own_reader(opened, page_file, tmp_path, analysis):
    """Round trip: what was put right in the page is what every command will read."""
    page = opened(page_file, view="ear")
    assert page.is_hidden("#song-box")
    page.click("#fix-later")
    page.click("[data-nudge='10']")
    page.click("[data-nudge='2']")
    assert "12 ms later" in page.inner_text("#nudge-note")
    page.fill("#meter-from", "5")
    page.fill("#meter-to", "6")
    page.fill("#meter-beats", "3")
    page.click("#meter-set")
    assert page.inner_text("#song-name") == "Paper.song.toml"
    path = tmp_path / "Paper.song.toml"
    path.write_text(page.text_content("#song-file"), encoding="utf-8")
    known = read_song(path).corrections
    assert known.nudge_ms == 12.0
    assert known.ones[0].time_s == pytest.approx(state(page, "app.reading.bars[1].start") - 0.012, abs=0.0051)
    assert (known.passages[0].first_bar, known.passages[0].last_bar) == (5, 6)
    assert [form.beats for form in known.passages[0].forms] == [3]
    assert known.recording.sha256 == analysis.track.sha256


@needs_browser
@pytest.mark.parametrize("has_file", [False, True])
def test_a_songs_file_that_is_there_is_never_handed_over_whole(opened, tmp_path, analysis, audio, has_file):
    """One with nothing but comments says nothing, and would be lost all the same."""
    path = tmp_path / "page.html"
    html = page_html(analysis, audio, None, "a.wav", "p.html", has_song_file=has_file)
    path.write_text(html, encoding="utf-8")
    page = opened(path, view="ear")
    page.click("#fix-later")
    assert page.is_visible("#song-save") != has_file
    assert ("comments too" in page.inner_text("#song-how")) == has_file


@needs_browser
def test_taps_that_are_half_as_fast_halve_the_tempo(opened, page_file, analysis):
    page = opened(page_file, view="ear")
    page.evaluate("document.getElementById('ear-tap-start').click()")
    until(page, "window.pulsefindPage.app.training && window.pulsefindPage.app.player.playing")
    page.evaluate(
        """() => {
            const { app } = window.pulsefindPage;
            const one = app.reading.count.indexOf(1);
            for (let k = 0; k < 10; k += 1) app.training.times.push(app.reading.time[one + 2 * k]);
            app.endTraining(app.training);
        }"""
    )
    assert "Half the tempo" in page.inner_text("#ear-tap-note")
    page.click("#ear-tap-take")
    assert state(page, "app.reading.bpm") == pytest.approx(analysis.tempo.bpm / 2, rel=1e-6)
    assert "by_ear = true" in page.text_content("#song-file")


@needs_browser
def test_another_reading_is_heard(opened, tmp_path, analysis, audio):
    other = Alternative("half as fast", 0.2, "--bpm 68:82")
    path = tmp_path / "other.html"
    changed = replace(analysis, alternatives=(other,))
    path.write_text(page_html(changed, audio, None, "a.wav", "p.html"), encoding="utf-8")
    page = opened(path, view="ear")
    page.click("text=Hear it this way")
    until(page, "window.pulsefindPage.app.player.playing")
    assert state(page, "app.reading.bpm") == pytest.approx(analysis.tempo.bpm / 2, rel=1e-6)
    page.click("#fix-undo")
    assert state(page, "app.reading.bpm") == pytest.approx(analysis.tempo.bpm, abs=0.01)
