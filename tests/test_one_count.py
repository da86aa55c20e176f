"""One truth for counts and clicks: one table is kept by the command line, by what the page is handed, and by the page.

The table is worked out by hand on a song of 60 bpm whose eighths swing 2 : 1: beats at whole seconds, a pickup on 4 at
1 s, bars 1 to 8 from 2 s on. Its expectations come from the trade: a swung & lies at two thirds of the beat, a
sixteenth in the middle of the eighth that it halves, triplets at thirds (common practice, no source).
"""

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from songs import analysis

from pulsefind.page.page import page_data
from pulsefind.practice.clicks import count_in
from pulsefind.practice.render import Plan, clicks_for
from pulsefind.report.handed import told

TABLE = Path(__file__).parent / "js" / "one_count.json"
EXPECTED = json.loads(TABLE.read_text(encoding="utf-8"))
SONG = analysis(meters=(4,) * 8, bpm=60.0, start_s=1.0, pickup=1, slots=2, swing=2.0, guide=(("1", 1), ("2&", 1)))
SONG = dataclasses.replace(SONG, plan=(0,) * 7 + (None,) * 2)


@pytest.mark.parametrize("on", EXPECTED["clicks"])
def test_the_command_line_clicks_where_the_table_says(on):
    np.testing.assert_allclose(clicks_for(SONG, Plan(places=on), None).time_s, EXPECTED["clicks"][on], atol=1e-9)


def test_help_fades_as_the_table_says():
    clicks = clicks_for(SONG, Plan(thin=2), None)
    np.testing.assert_allclose(clicks.time_s, EXPECTED["fading_every_2_bars"], atol=1e-9)


@pytest.mark.parametrize("bar", EXPECTED["count_in"])
def test_the_count_in_is_that_of_the_table(bar):
    first = int(SONG.bars.first_beat[int(bar)])
    np.testing.assert_allclose(count_in(SONG, first, 1).time_s, EXPECTED["count_in"][bar], atol=1e-9)


def test_the_page_is_handed_the_syllables_of_the_table():
    assert told(SONG)["counting"]["within"][0] == pytest.approx(EXPECTED["within"], abs=1e-5)


def test_the_page_s_half_of_the_table_is_what_the_page_is_handed(write_wav):
    from pulsefind.listen.audio import load

    audio = load(write_wav(np.zeros(44100 * 2, np.float32)))
    data = page_data(SONG, audio, True, "song.wav", "song.html")
    kept = json.loads(json.dumps({name: data[name] for name in EXPECTED["data"]}))
    # Written anew with: TABLE.write_text(json.dumps({**EXPECTED, "data": kept}, indent=1) + "\n")
    assert differences(EXPECTED["data"], kept) == []


def differences(table, handed, where="data"):
    """Where the page is handed something else than the table has; what is handed besides is no difference."""
    if isinstance(table, dict) and isinstance(handed, dict):
        inside = ((f"{where}.{k}", table[k], handed.get(k)) for k in table)
        return [found for name, a, b in inside for found in differences(a, b, name)]
    return [] if table == handed else [f"{where}: {table} / {handed}"]


def test_a_difference_is_named_and_an_addition_is_none():
    assert differences({"a": {"b": 1}}, {"a": {"b": 1, "c": 2}, "d": 3}) == []
    assert differences({"a": {"b": 1}}, {"a": {"b": 2}}) == ["data.a.b: 1 / 2"]
