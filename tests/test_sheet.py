"""The gig sheet: what stands on it, that it fits its paper, and how a set is put in order."""

import dataclasses
import re
import shutil
import tempfile
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from making import at_places, hits_at, pulse
from pagemaking import analysis_of, song
from typer.testing import CliRunner

from pulsefind.cli.app import app
from pulsefind.core.errors import OutputError
from pulsefind.core.records import Bars, Misreading, SectionConfidence, Sound, Tempo
from pulsefind.page import pdf
from pulsefind.page.sheet import sheet_html, song_page, tempo_jumps
from pulsefind.report.feel import count_in_text
from pulsefind.saved import to_json

needs_browser = pytest.mark.skipif(pdf.find_browser() is None, reason="no Chromium on this machine")

LONG = "A very long name of a song " * 8
A4_POINTS, LETTER_POINTS = (595, 842), (612, 792)


def text_of(html: str) -> str:
    body = html[html.index("<body") :]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


def crowded():
    """A song with everything at once: long names, three guides, many changes, odd bars, traps, doubts."""
    bars = 96
    beat = pulse(4 * bars, bpm=123.0)
    groups, sounds = [], []
    for k, (places, hz) in enumerate((((0.25, 1.5, 2.75), 9000.0), ((0.5, 2.5), 1500.0), ((1.0, 3.0, 3.75), 300.0))):
        played = [bar for bar in range(bars) if (bar // 6) % 4 == k]
        groups.append(at_places(beat, places, played))
        sounds.append(Sound(hz, 60.0, 0.7))
    analysis = analysis_of(
        beat, hits_at(*groups, sounds=tuple(sounds)), "A very long name of a song " * 8 + ".wav", 0.4
    )
    misreadings = tuple(
        Misreading(k, "slow beats, or 1 and 3 of a slower bar", 61.5, 0.9, "it falls on 1e, 2&, 3a: say the counts")
        for k in range(len(analysis.guides))
    )
    return dataclasses.replace(analysis, misreadings=misreadings, alternatives=())


def pages_of(data: bytes) -> list[tuple[int, int]]:
    """Sizes of a PDF's pages in points, from its page objects (ISO 32000-1, 7.7.3.3)."""
    objects = re.findall(rb"/Type\s*/Page\b(?!s).*?endobj", data, re.S)
    boxes = [re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", page) for page in objects]
    return [(round(float(box[1])), round(float(box[2]))) for box in boxes]


def test_one_song_says_all_that_a_drummer_needs():
    text = text_of(sheet_html([song()]))
    for part in (
        "Paper Lanterns",
        "100",
        "4/4",
        "in on 4",
        "after a pickup on 4",
        "1e and 3a",
        "bars 9-12",
        "0:20",
        "Ends with bar 16 at",
    ):
        assert part in text, part
    assert "Set list" not in text


def test_the_count_line_is_drawn_with_the_places_struck():
    html = sheet_html([song()])
    # Two marks, at 0.25 and 2.75 of 4 beats of a line that is 960 units long from 30 on.
    assert re.findall(r'<g class="hit" transform="translate\(([\d.]+) ', html)[:2] == ["90.0", "690.0"]
    assert 'aria-label="struck on 1e, 3a"' in html


def test_doubts_stand_at_what_is_unsure_with_what_settles_them():
    sure = song()
    sections = (SectionConfidence(0, 8, 0.9, 1.0), SectionConfidence(9, 16, 0.3, 1.0))
    page = song_page(dataclasses.replace(sure, confidence=dataclasses.replace(sure.confidence, sections=sections)))
    assert [row.unsure for row in page.rows] == [False, True, True]
    assert page.doubts == (("Bars 9-16: the 1 may be elsewhere.", page.doubts[0][1]),) and page.doubts[0][1].endswith(
        "--taps TAPS.txt"
    )
    unsure = song_page(song(sure=0.4))
    assert unsure.first_bar.endswith(" ?") and not unsure.tempo.endswith("?")
    octave = dataclasses.replace(sure, confidence=dataclasses.replace(sure.confidence, octave=0.4, meter=0.3))
    assert song_page(octave).tempo == f"{sure.tempo.bpm:.0f} ?" and song_page(octave).meter == "4/4 ?"
    assert "%" not in text_of(sheet_html([song(sure=0.4)]))


def test_a_title_of_ones_own_and_the_time_of_the_set():
    assert "<h1><bdi>For Friday</bdi>" in sheet_html([song()], title="For Friday")
    lasting = dataclasses.replace(song(), track=dataclasses.replace(song().track, duration_s=41.7))
    html = sheet_html([lasting, lasting], title="At the mill")
    assert "<h1><bdi>At the mill</bdi>" in html and "2 songs, 1:23 of music" in html


@pytest.mark.parametrize(
    ("first_count", "meter", "expected"),
    [
        (1, 4, "1 2 3 4, in on 1"),
        (4, 4, "1 2 3 4, 1 2 3, in on 4"),
        (3, 3, "1 2 3, 1 2, in on 3"),
        (1, 7, "1 2 3 4 5 6 7, in on 1"),
    ],
)
def test_count_in(first_count, meter, expected):
    beat = pulse(8 * meter, meter=meter, first_count=first_count)
    assert count_in_text(analysis_of(beat, hits_at(beat.time_s[::2]), "x.wav", 0.9)) == expected


def test_traps_name_short_bars_and_lasting_tempo_changes():
    analysis = song(n_bars=16, break_bars=())
    bars = analysis.bars
    per_bar, beats = bars.beats_per_bar.copy(), bars.beats.copy()
    per_bar[6] = beats[6] = 2
    first = np.r_[0, np.cumsum(beats)[:-1]]
    count = np.concatenate([[4], *[np.arange(1, n + 1) for n in beats[1:]]])
    short = Bars(first, beats, per_bar, bars.start_s, bars.number, count, bars.end_s, 4)
    bpm = np.r_[np.full(9, 100.0), np.full(8, 112.0)]
    page = song_page(dataclasses.replace(analysis, bars=short, tempo=Tempo(104.0, bpm, 0.0, 0.0)))
    assert "Bar 6: 2/4" in page.watch
    assert "Tempo from bar 9: 112 bpm" in page.watch


def test_a_steady_song_has_no_tempo_trap():
    assert not [trap for trap in song_page(song()).watch if "Tempo" in trap]


def test_a_set_has_its_order_its_jumps_and_the_unsure_songs_first():
    songs = [
        song(name="First.wav", bpm=100.0),
        song(name="Doubtful.wav", sure=0.5, bpm=126.0),
        song(name="Lost.wav", sure=0.2, bpm=90.0),
    ]
    text = text_of(sheet_html(songs))
    order, check = text.split("Check before the gig")
    assert order.index("First") < order.index("Doubtful") < order.index("Lost")
    assert "26 bpm faster (+26 %)" in order and "36 bpm slower (-29 %)" in order
    assert check.index("Lost") < check.index("Doubtful")
    assert "do the bass and the chords change on its 1" in check
    assert "The other 1 is sure enough" in check


def test_every_guide_of_the_plan_has_its_name_and_places_drawn_or_not():
    bars = 48
    beat = pulse(4 * bars, bpm=120.0)
    places = ((0.5,), (1.5,), (2.5,), (3.5, 1.25))
    groups = [at_places(beat, own, range(12 * k, 12 * k + 12)) for k, own in enumerate(places)]
    sounds = tuple(Sound(9000.0 / 3**k, 60.0, 0.7) for k in range(4))
    page = song_page(analysis_of(beat, hits_at(*groups, sounds=sounds), "four.wav", 0.9))
    assert len(page.drawn) == 2 and len(page.rows) == 4
    assert [row.what.split(" on ")[1] for row in page.rows] == ["1&", "2&", "3&", "2e and 4&"]
    assert len({row.what.split(" on ")[0] for row in page.rows}) == 4


def test_jumps():
    assert tempo_jumps([]) == [] and tempo_jumps([100.0]) == []
    assert tempo_jumps([100.0, 100.2, 0.0]) == ["the same", "tempo unknown"]


def test_no_beat_gives_a_page_that_says_so():
    from pulsefind.analysis import analyse
    from pulsefind.core.records import Settings
    from pulsefind.listen.audio import from_samples

    silent = analyse(from_samples(np.zeros(44100, np.float32), 44100), Settings(use_cache=False))
    text = text_of(sheet_html([silent]))
    assert "no beat" in text and "Listen: is there one at all?" in text


def test_names_are_escaped():
    html = sheet_html([song(name="<img src=x onerror=alert(1)>\"'&.wav")])
    assert "<img" not in html and "&lt;img src=x onerror=alert(1)&gt;" in html


@needs_browser
@pytest.mark.parametrize(("paper", "points"), [("a4", A4_POINTS), ("letter", LETTER_POINTS)])
def test_every_song_fills_one_page_of_its_paper(paper, points):
    songs = [song(), crowded(), song(n_bars=8, pickup=0, break_bars=())]
    pages = pages_of(pdf.pdf_of(sheet_html(songs, paper)))
    assert pages == [points] * 4


@needs_browser
@needs_browser
def test_a_pdf_is_printed_where_temporary_files_lie_deep(tmp_path, monkeypatch):
    """The path of a socket may have 108 bytes at most (Linux's <sys/un.h>), and a browser makes one there."""
    deep = tmp_path / ("d" * 60) / ("e" * 60)
    deep.mkdir(parents=True)
    monkeypatch.setattr(tempfile, "tempdir", str(deep))
    assert pdf.pdf_of("<p>sheet</p>").startswith(b"%PDF")
    assert list(deep.iterdir()) == []


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext on this machine")
def test_the_pdf_holds_the_words(tmp_path):
    import subprocess

    path = tmp_path / "sheet.pdf"
    path.write_bytes(pdf.pdf_of(sheet_html([crowded()])))
    text = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, text=True, check=True).stdout
    assert "A very long name" in text and "In doubt" in text and "Watch out" in text


def test_without_a_browser_one_line_says_what_to_do(monkeypatch):
    monkeypatch.setattr(pdf, "find_browser", lambda: None)
    with pytest.raises(OutputError, match=r"needs Chromium .* write the sheet as \.html"):
        pdf.pdf_of("<p>x</p>")


def test_a_browser_that_fails_is_told_in_one_line(monkeypatch):
    monkeypatch.setattr(pdf, "find_browser", lambda: "/bin/false")
    with pytest.raises(OutputError, match=r"exit code 1"):
        pdf.pdf_of("<p>x</p>")


# ---- the commands


def test_sheet_from_saved_analyses(tmp_path):
    saved = tmp_path / "song.json"
    saved.write_text(to_json(song()), encoding="utf-8")
    out = tmp_path / "set.html"
    run = CliRunner().invoke(app, ["sheet", str(saved), str(saved), "--out", str(out), "--paper", "letter"])
    assert run.exit_code == 0, run.output
    assert "2 songs" in run.output and "size: letter" in out.read_text(encoding="utf-8")
    again = CliRunner().invoke(app, ["sheet", str(saved), "--out", str(out)])
    assert isinstance(again.exception, OutputError) and "--force" in str(again.exception)


@pytest.mark.parametrize(("command", "name"), [("sheet", "set.doc"), ("page", "page.pdf")])
def test_other_endings_are_refused_before_any_work(tmp_path, command, name):
    run = CliRunner().invoke(app, [command, str(tmp_path / "none.wav"), "--out", str(tmp_path / name)])
    assert isinstance(run.exception, OutputError) and "must end in" in str(run.exception)


def test_page_command_writes_one_file(tmp_path, write_wav):
    track = write_wav(np.zeros(44100, np.float32), name="quiet one.wav")
    out = tmp_path / "page.html"
    run = CliRunner().invoke(app, ["page", str(track), "--out", str(out), "--no-cache", "--light", "bright"])
    assert run.exit_code == 0, run.output
    html = out.read_text(encoding="utf-8")
    assert 'data-light="bright"' in html and 'class="recording"' in html and "quiet one" in html
    assert "the recording is silent" in run.output
    assert sorted(path.name for path in Path(tmp_path).iterdir()) == ["page.html", "quiet one.wav"]


def test_a_sheet_may_load_nothing_and_ask_nobody():
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', sheet_html([song()]))
    assert policy is not None
    rules = dict(rule.strip().partition(" ")[::2] for rule in unescape(policy[1]).split(";"))
    # Whatever isn't named falls back to default-src (W3C Content Security Policy Level 3, 6.8.3).
    assert rules["default-src"] == "'none'"
    assert set(rules) == {"default-src", "style-src", "base-uri", "form-action"}
    assert re.fullmatch(r"'sha256-[A-Za-z0-9+/=]+'", rules["style-src"])
