"""How a song feels in a drummer's words, from made songs. Where words begin and end is common practice, no source."""

import dataclasses

import numpy as np
import pytest
from songs import analysis

from pulsefind.core.records import Settings, Tempo
from pulsefind.report.counting import count_rows, counted_bars
from pulsefind.report.feel import feel_of, feel_text, swing_word, tempo_text
from pulsefind.report.planned import falls
from pulsefind.report.terminal import report

EIGHTHS = tuple((f"{count}{syllable}", 1) for count in range(1, 5) for syllable in ("", "&"))


def with_drum(song, drum):
    guides = tuple(
        dataclasses.replace(guide, sound=dataclasses.replace(guide.sound, drum=drum)) for guide in song.guides
    )
    return dataclasses.replace(song, guides=guides)


def low(song):
    guides = tuple(
        dataclasses.replace(guide, sound=dataclasses.replace(guide.sound, centre_hz=80.0)) for guide in song.guides
    )
    return dataclasses.replace(song, guides=guides)


def test_six_eight_goes_by_its_dotted_quarter():
    # Eighths at 180: three of them are a beat at 60, two beats a bar.
    feel = feel_of(analysis(meters=(6,) * 8, bpm=180.0, unit=8, slots=1, guide=(("1", 1),)))
    assert (feel.felt_beats, feel.felt_note) == (2, "dotted quarter")
    assert feel.felt_bpm == pytest.approx(60.0)
    assert feel.counted_bpm == pytest.approx(180.0)
    assert feel_text(feel) == "6/8, felt in two, nothing between the beats"
    assert tempo_text(feel) == "holds at 60, dotted quarters; the eighths go at 180"


def test_a_slow_six_is_counted_in_its_eighths():
    feel = feel_of(analysis(meters=(6,) * 8, bpm=90.0, unit=8, slots=1))
    assert (feel.felt_note, feel.counted_bpm) == ("eighth", None)
    assert feel.felt_bpm == pytest.approx(90.0)


def test_twelve_eight_is_felt_in_four_and_counts_in_threes():
    song = analysis(bpm=70.0, slots=3, guide=(("1", 1), ("1let", 1), ("3trip", 1)))
    song = dataclasses.replace(song, settings=Settings(meter=(12, 8)))
    feel = feel_of(song)
    assert (feel.meter, feel.felt_note) == ("12/8", "dotted quarter")
    assert feel.felt_bpm == pytest.approx(70.0)
    assert feel_text(feel) == "12/8, felt in four, 8ths in threes"
    rows = count_rows(counted_bars(song, song.guides[0]), 70)
    assert rows == ["(1) · (1let)  2 · ·  3 (3trip) ·  4 · ·"]


@pytest.mark.parametrize(
    ("labels", "drum", "style"),
    [
        ((("3", 1),), "snare", "half-time (backbeat on 3)"),
        ((("1&", 1), ("2&", 1), ("3&", 1), ("4&", 1)), "snare", "double-time (backbeat on every &)"),
        ((("2", 1), ("4", 1)), "snare", ""),
        ((("3", 1),), "hi-hat", ""),
        ((("3", 1), ("3", 2), ("4&", 2)), "snare", ""),
    ],
)
def test_half_time_and_double_time_go_by_the_snare(labels, drum, style):
    song = with_drum(analysis(guide=labels, pattern_bars=max(bar for _, bar in labels)), drum)
    assert feel_of(song).styles == ((style,) if style else ())


def test_two_feel_is_a_bass_on_1_and_3():
    assert feel_of(low(analysis(guide=(("1", 1), ("3", 1))))).styles == ("two-feel (bass on 1 and 3)",)
    assert feel_of(analysis(guide=(("1", 1), ("3", 1)))).styles == ()


def test_a_shuffle_swings_and_fills_its_eighths():
    assert feel_text(feel_of(analysis(slots=2, swing=2.0, guide=EIGHTHS))) == (
        "4/4, shuffle, swung 8ths (triplet swing)"
    )
    assert "shuffle" not in feel_text(feel_of(analysis(slots=2, swing=2.0, guide=EIGHTHS[:4])))
    assert "shuffle" not in feel_text(feel_of(analysis(slots=2, swing=1.2, guide=EIGHTHS)))


@pytest.mark.parametrize(
    ("ratio", "word"),
    [(1.0, "straight"), (1.2, "light swing"), (1.5, "medium swing"), (2.0, "triplet swing"), (3.0, "hard swing")],
)
def test_swing_has_words(ratio, word):
    assert swing_word(ratio) == word


def test_the_tempo_holds_wanders_or_changes():
    song = analysis(bpm=130.0)
    for drift, bars, told in (
        (1.0, (130.0, 130.2), "holds at 130"),
        (2.0, (129.0, 131.0), "holds at 130 (129-131)"),
        (5.0, (127.0, 133.0), "wanders 127-133, around 130"),
        (20.0, (110.0, 140.0), "changes 110-140, around 130"),
    ):
        bpm = np.r_[np.full(50, bars[0]), np.full(50, bars[1])]
        assert tempo_text(feel_of(dataclasses.replace(song, tempo=Tempo(130.0, bpm, drift, 2.0)))) == told


@pytest.mark.parametrize(
    ("labels", "pattern_bars", "told"),
    [
        ((("1e", 1), ("3a", 1)), 1, "1e and 3a"),
        (tuple((str(k), 1) for k in range(1, 5)), 1, "every beat"),
        (tuple((f"{k}&", 1) for k in range(1, 5)), 1, "every &"),
        (EIGHTHS, 1, "every 8th"),
        (tuple((f"{k}{s}", 1) for k in range(1, 5) for s in ("", "e", "&", "a")), 1, "every 16th"),
        (tuple((f"{k}{s}", 1) for k in range(1, 5) for s in ("e", "a")), 1, "e and a of every count"),
        ((("2&", 1), ("4&", 1), ("1", 2)), 2, "2& and 4&, then 1"),
        ((("1", 2),), 2, "nothing, then 1"),
    ],
)
def test_places_are_said_as_they_are_spoken(labels, pattern_bars, told):
    song = analysis(guide=labels, pattern_bars=pattern_bars)
    assert falls(song.guides[0], song) == told


def test_bars_of_a_pattern_are_joined_with_then():
    song = analysis(guide=(("2&", 1), ("1", 2)), pattern_bars=2)
    assert count_rows(counted_bars(song, song.guides[0]), 70) == ["1 ·  2 (2&)  3 ·  4 ·", "then (1) ·  2 ·  3 ·  4 ·"]
    assert "|" not in report(song)


@pytest.mark.parametrize("unit", [1, 2, 4, 8, 16, 32])
@pytest.mark.parametrize("slots", [1, 2, 3, 4, 6])
def test_every_grid_in_every_meter_has_a_word(unit, slots):
    """Every meter that may be given or saved, 4/16 too; half of a 16th is a 32nd, a quarter a 64th (arithmetic)."""
    text = feel_text(feel_of(analysis(meters=(4,) * 8, unit=unit, slots=slots, guide=(("1", 1),))))
    word = {1: "nothing between", 3: "triplets", 6: "sextuplets"}.get(slots, f"straight {_fraction(unit * slots)}")
    assert word in text


def _fraction(n):
    return {2: "halves", 4: "quarters", 32: "32nds"}.get(n, f"{n}ths")
