"""Report, sheet, page and cue sheet say the same plan, names and doubts: read back from what they show.

Made songs, and six public recordings where they are at hand (the sets that datasets.md names).
"""

import dataclasses
import io
import re
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from making import at_places, hits_at, pulse
from pagemaking import analysis_of, song, sound_of
from test_sheet import crowded

from pulsefind.analysis import analyse
from pulsefind.core.records import Alternative, SectionConfidence, Settings
from pulsefind.page.page import page_data
from pulsefind.page.sheet import sheet_html
from pulsefind.practice.ladder import cue_sheet
from pulsefind.practice.mix import Levels
from pulsefind.practice.render import Plan, Practice
from pulsefind.practice.spool import Spool
from pulsefind.report.terminal import report

DATA = Path(__file__).parent.parent.parent / "shared" / "data"
RECORDINGS = (
    "band_drumless/audio/MusicDelta_Rock.flac",
    "band_drumless/audio/MusicDelta_Reggae.flac",
    "band_drumless/audio/MusicDelta_Rockabilly.flac",
    "band/audio/MusicDelta_Britpop.flac",
    "studies/audio/nonwestern_example.flac",
    "arranger_render/audio/68march.ogg",
)


def doubtful():
    made = song(sure=0.4)
    return dataclasses.replace(made, alternatives=(Alternative("the 1 is 2 beats later", 0.5, "--one-at 2.00"),))


def doubtful_in_part():
    made = song()
    sections = (SectionConfidence(0, 8, 0.9, 1.0), SectionConfidence(9, 16, 0.3, 1.0))
    return dataclasses.replace(made, confidence=dataclasses.replace(made.confidence, sections=sections))


def in_six():
    beat = pulse(6 * 16, bpm=180.0, meter=6, unit=8)
    return analysis_of(beat, hits_at(at_places(beat, [0.0, 3.5], meter=6)), "In six.wav", 0.9)


MADE = {"plain": song, "doubtful": doubtful, "doubtful in part": doubtful_in_part, "crowded": crowded, "in six": in_six}


@pytest.fixture(params=MADE)
def made(request):
    return MADE[request.param]()


@pytest.fixture(params=RECORDINGS)
def recorded(request):
    if not (DATA / request.param).is_file():
        pytest.skip("the recordings aren't here")
    return analyse(DATA / request.param, Settings(network="own"))


def rows_of(text, name):
    """The plan as a text shows it: (bars, in doubt, what), unwrapped. Its field begins with `name`."""
    lines = text.splitlines()
    first = next(k for k, line in enumerate(lines) if line.startswith(name))
    rows = []
    for line in (shown.ljust(80) for shown in lines[first:]):
        if (line[:10].strip() not in ("", name)) or not line.strip() or line[10:].startswith("never alone"):
            break
        bars, what = line[10:29].strip(), line[29:].strip()
        if bars:
            rows.append([bars.removesuffix(" ?"), bars.endswith(" ?"), what])
        else:
            rows[-1][2] += f" {what}"
    return [tuple(row) for row in rows]


def rows_of_sheet(html):
    plain = lambda part: " ".join(unescape(re.sub(r"<[^>]+>", " ", part)).split())  # noqa: E731 - two uses
    plan = re.search(r'<ul class="plan">(.*?)</ul>', html, re.S)
    rows = []
    for bars, what in re.findall(r"<li.*?<b>(.*?)</b>.*?<span>(.*?)</span></li>", plan[1] if plan else "", re.S):
        rows.append((plain(bars).removesuffix(" ?"), plain(bars).endswith(" ?"), plain(what)))
    return rows


def cue_sheet_of(analysis):
    spool = Spool(io.BytesIO(), 1, 1, 44100, 0.0, 1.0, -20.0)
    return cue_sheet(Practice(analysis, spool, Plan(), None, Levels()), (), [])


def page_words(analysis):
    return page_data(analysis, sound_of(analysis), True, "song.wav", "song.html")["words"]


def say_the_same(analysis):
    words, told, cues = page_words(analysis), report(analysis), cue_sheet_of(analysis)
    html = sheet_html([analysis])
    stretches = [d for d in words["doubts"] if not d["whole"]]
    plan = [
        (p["bars"], any(d["first"] <= p["last"] and p["first"] <= d["last"] for d in stretches), p["what"])
        for p in words["plan"]
    ]
    for rows, most in ((rows_of(told, "FOLLOW"), 15), (rows_of(cues, "Follow"), 15), (rows_of_sheet(html), 9)):
        shown = plan if len(plan) <= most + 1 else plan[:most]
        assert rows[: len(shown)] == shown
    assert [len(line) for line in (told + cues).splitlines() if len(line) > 80] == []
    flat = [" ".join(text.split()) for text in (told, cues)]
    flat.append(" ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split()))
    for doubt in words["doubts"]:
        for text in flat:
            assert doubt["sentence"] in text, doubt
    leads = {p["guide"] for p in words["plan"][:9]} - {-1}
    for guide in leads:
        assert all(words["guides"][guide]["called"] in text for text in flat)
    assert all(words["feel"]["tempo"] in text for text in flat)
    return words


def test_made_songs_are_told_alike_everywhere(made):
    words = say_the_same(made)
    names = [guide["called"] for guide in words["guides"]]
    assert len(set(names)) == len(names) and not any("Hz" in name for name in names)


@pytest.mark.filterwarnings("ignore")
def test_recordings_are_told_alike_everywhere(recorded):
    say_the_same(recorded)


def test_a_plan_that_differs_is_noticed():
    made = song()
    other = dataclasses.replace(made, plan=(None, *made.plan[1:]))
    assert rows_of(report(made), "FOLLOW") != rows_of(report(other), "FOLLOW")
    assert rows_of_sheet(sheet_html([made])) != rows_of_sheet(sheet_html([other]))
    assert np.unique([len(row) for row in rows_of(report(made), "FOLLOW")]).tolist() == [3]


BANNED = (
    *("octave", "give or take", "% of the time", "Trap", "dBTP", "LUFS", " Hz", "kHz", "latency", "misread"),
    *("next best", "settles", "hit rate", "coverage", "percent", "%"),
)
"""Words of a log, which no drummer says: pulsefind/report/WORDS.md tells what to say instead."""


def shown_in(value):
    """The texts in what the page is handed."""
    if isinstance(value, str):
        return [value]
    inside = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [text for one in inside for text in shown_in(one)]


def test_no_surface_speaks_like_a_log(made):
    texts = [report(made), cue_sheet_of(made), re.sub(r"(?s)<style>.*?</style>|<[^>]+>", " ", sheet_html([made]))]
    texts += shown_in(page_words(made))
    for text in texts:
        assert [word for word in BANNED if word in text] == []
