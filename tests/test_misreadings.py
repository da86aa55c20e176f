"""Common rhythms of the trade, and what a careful player would list as their misreadings.

The rhythms are common practice, no source. The readings were worked out by hand from the rules at the top of
misreadings.py, on paper, as positions in twelfths of a beat; how, stands beside those that aren't plain.
"""

import math
from dataclasses import replace

import pytest
from making import bars_of, beats_of, pulse

from pulsefind.beats.bars import tempo_of
from pulsefind.core.counts import parse_label
from pulsefind.core.records import Guide, GuideHits, Place, Sound
from pulsefind.guides.misreadings import HITS_AS_BEATS, find_misreadings, fixes

WITHIN = {"": 0.0, "e": 0.25, "&": 0.5, "a": 0.75, "trip": 1 / 3, "let": 2 / 3}


def guide(text, swing=1.0):
    places = []
    for bar, words in enumerate(text.split("|"), 1):
        for word in words.split():
            count, syllable = parse_label(word)
            within = swing / (1 + swing) if syllable == "&" else WITHIN[syllable]
            places.append(Place(word, bar, count - 1 + within, 1.0, 0.0, 0.0))
    hits = GuideHits([], [], (), [])
    return Guide("tick", Sound(8000.0, 50.0, 0.5), bar, tuple(places), hits, (), 10.0, 1.0, 1.0, 1.0, 1.0, 1.0)


def misreadings(text, bpm, meter=4, unit=4, swing=1.0):
    a_pulse = pulse(meter * 8, bpm=bpm, meter=meter, unit=unit)
    bars = bars_of(a_pulse)
    return find_misreadings((guide(text, swing),), bars, tempo_of(beats_of(a_pulse), bars))


FOUR = [
    # One hit a bar, heard as the 1, or as 2 and 4 of bars twice as long; its own tempo, 35, is too slow for a beat.
    ("half-time backbeat, one drop", "3", 140, [("turned", 140), ("half time", 70)]),
    ("clap on 4", "4", 120, [("turned", 120), ("half time", 60)]),
    ("push on 4&", "4&", 120, [("off the beat", 120), ("half time", 60)]),
    ("the 1 alone, quick", "1", 180, [("slow", 45)]),
    ("the 1 alone", "1", 120, []),
    ("backbeat", "2 4", 120, [("turned", 120), ("half bar", 120), ("slow", 60)]),
    ("kick on 1 and 3", "1 3", 120, [("half bar", 120), ("slow", 60)]),
    ("four on the floor", "1 2 3 4", 124, [("any beat", 124)]),
    ("off-beat eighths, reggae skank", "1& 2& 3& 4&", 120, [("off the beat", 120), ("any beat", 120)]),
    ("2& and 4&", "2& 4&", 120, [("off the beat", 120), ("slow", 60), ("half bar", 120)]),
    # Two sixteenths on each &: the figure begins after its longest gap, on the &.
    ("reggae organ", "1& 1a 2& 2a 3& 3a 4& 4a", 80, [("off the beat", 80), ("any beat", 80)]),
    ("eighths", "1 1& 2 2& 3 3& 4 4&", 100, [("quick", 200), ("off the beat", 100), ("any beat", 100)]),
    # Four a beat at 90 would be 360 a minute: no beat.
    (
        "train beat, sixteenths",
        "1 1e 1& 1a 2 2e 2& 2a 3 3e 3& 3a 4 4e 4& 4a",
        90,
        [("off the beat", 90), ("any beat", 90)],
    ),
    ("son clave 3-2", "1 2& 4|2 3", 100, [("other bar", 100), ("cross", 67)]),
    ("son clave 2-3", "2 3|1 2& 4", 100, [("other bar", 100), ("cross", 67)]),
    # Gaps 18 24 18 12 24: no two equal ones meet.
    ("rumba clave 3-2", "1 2& 4&|2 3", 100, [("other bar", 100)]),
    # Gaps 18 18 24 18 18: five hits a beat and a half apart, around the end.
    ("bossa clave", "1 2& 4|2 3&", 100, [("cross", 67), ("other bar", 100)]),
    ("cascara", "1 2 3 3& 4&|1 2 2& 3& 4&", 100, [("other bar", 100)]),
    # 18 18 12: two dotted quarters, and three hits no farther from even than 1.5 : 1.
    ("tresillo", "1 2& 4", 120, [("cross", 80), ("evened", 90)]),
    ("tresillo in half the time", "1 1a 2& 3 3a 4&", 100, [("cross", 133), ("evened", 150), ("half bar", 100)]),
    ("dotted quarters over two bars", "1 2& 4|1& 3 4&", 120, [("cross", 80), ("other bar", 120)]),
    ("cinquillo", "1 2 2& 3& 4", 120, []),
    ("habanera", "1 2& 3 4", 120, []),
    # The longest gap follows 2&, so the figure begins on its 1.
    ("charleston", "1 2&", 120, []),
    ("samba tamborim, one form", "1 1& 2 2a 3e 3a 4&", 100, []),
    # Short, then long: the 2& seems to begin.
    ("bossa bass drum", "1 2& 3 4&", 120, [("off the beat", 120), ("half bar", 120)]),
    ("gallop", "1 1& 1a 2 2& 2a 3 3& 3a 4 4& 4a", 120, [("off the beat", 120), ("any beat", 120), ("evened", 120)]),
    ("gallop turned round", "1 1e 1& 2 2e 2& 3 3e 3& 4 4e 4&", 120, [("any beat", 120), ("evened", 120)]),
    ("half-note triplets", "1 2trip 3let", 120, [("cross", 90)]),
    ("quarter triplets", "1 1let 2trip 3 3let 4trip", 120, [("cross", 180), ("half bar", 120)]),
    ("bell of twelve", "1 1let 2trip 2let 3trip 4 4let", 110, [("cross", 165)]),
]

SWUNG = [
    (
        "shuffle",
        "1 1& 2 2& 3 3& 4 4&",
        120,
        [("off the beat", 120), ("any beat", 120), ("straight", 120)],
    ),
    # Gaps 12 8 4: the longest is only half as long again.
    ("jazz ride", "1 2 2& 3 4 4&", 140, [("half bar", 140), ("straight", 140)]),
]

OTHER = [
    ("waltz 2 3", "2 3", 150, 3, 4, [("turned", 150)]),
    ("waltz 1", "1", 180, 3, 4, [("slow", 60)]),
    ("jazz waltz 1 and 2&", "1 2&", 150, 3, 4, [("cross", 100)]),
    ("hemiola", "1 3|2", 150, 3, 4, [("slow", 75), ("any hit", 150), ("other bar", 150)]),
    # 6/8 is counted in eighths and felt in two: eighths at 180 are beats at 60.
    ("6/8, 1 and 4", "1 4", 180, 6, 8, [("half bar", 60)]),
    ("6/8 backbeat on 4", "4", 180, 6, 8, [("turned", 60)]),
    ("6/8 heard as 3/4", "1 3 5", 180, 6, 8, [("cross", 90)]),
    ("6/8, 3 and 6", "3 6", 180, 6, 8, [("off the beat", 60), ("half bar", 60)]),
    ("6/8 eighths", "1 2 3 4 5 6", 180, 6, 8, [("quick", 180), ("off the beat", 60), ("half bar", 60)]),
    ("5/4 as 3 and 2", "1 4", 150, 5, 4, [("evened", 60)]),
    ("7/8 as 2 2 3", "1 3 5", 200, 7, 8, [("cross", 100), ("evened", 86)]),
    ("7/8 as 3 2 2", "1 4 6", 200, 7, 8, [("cross", 100), ("evened", 86)]),
]


def listed(found):
    return [(m.kind, round(m.bpm)) for m in found]


@pytest.mark.parametrize(("name", "text", "bpm", "expected"), FOUR, ids=[row[0] for row in FOUR])
def test_four_in_a_bar(name, text, bpm, expected):
    assert listed(misreadings(text, bpm)) == expected


@pytest.mark.parametrize(("name", "text", "bpm", "expected"), SWUNG, ids=[row[0] for row in SWUNG])
def test_swung_two_to_one(name, text, bpm, expected):
    assert listed(misreadings(text, bpm, swing=2.0)) == expected


@pytest.mark.parametrize(("name", "text", "bpm", "meter", "unit", "expected"), OTHER, ids=[row[0] for row in OTHER])
def test_other_meters(name, text, bpm, meter, unit, expected):
    assert listed(misreadings(text, bpm, meter, unit)) == expected


def test_how_tempting_follows_the_rule():
    # Backbeat at 120. As 1 and 3 the strong beats agree with all hits, truly with none (taken as 0.1): 1 / 1.1.
    # At 60 all hits and all beats agree: 1, times exp(-(1 / 0.9)^2 / 2); truly 2 of 2 hits, 2 of 4 beats: 2/3.
    turned, half_bar, slow = misreadings("2 4", 120)
    natural = math.exp(-((1 / 0.9) ** 2) / 2)
    assert turned.tempting == pytest.approx(1 / 1.1)
    assert half_bar.tempting == pytest.approx(0.5)
    assert slow.tempting == pytest.approx(natural / (natural + 2 / 3))


def test_less_swing_is_easier_to_take_for_straight():
    slight, full = (misreadings("1 1& 2 2& 3 3& 4 4&", 120, swing=r)[-1] for r in (1.5, 3.0))
    assert slight.kind == full.kind == "straight"
    assert slight.tempting == pytest.approx(1 / 2.5) and full.tempting == pytest.approx(1 / 4)
    assert "1.5 : 1" in slight.cue


def test_a_figure_that_is_the_same_in_both_bars_is_one_of_one_bar():
    assert listed(misreadings("2 4|2 4", 120)) == listed(misreadings("2 4", 120))


def test_every_reading_says_how_to_tell_and_kinds_are_known():
    rows = [(text, bpm, 4, 4) for _, text, bpm, _ in FOUR] + [row[1:5] for row in OTHER]
    kinds = set()
    for text, bpm, meter, unit in rows:
        for m in misreadings(text, bpm, meter, unit):
            assert m.cue and m.heard_as and 0 < m.tempting < 1 and len(m.cue) < 100
            kinds.add(m.kind)
    assert kinds >= HITS_AS_BEATS


@pytest.mark.parametrize(
    ("text", "meter", "unit", "expected"),
    [
        ("2 4", 4, 4, "the half bar"),
        ("1 2 3 4", 4, 4, "the beat"),
        ("1 1& 2 2& 3 3& 4 4&", 4, 4, ""),
        ("4&", 4, 4, "the 1"),
        ("1 2& 4|2 3", 4, 4, "the 1"),
        ("1 2 3", 3, 4, "the beat"),
        # Felt in two: each beat is alike.
        ("1 4", 6, 8, "the beat"),
        ("1 3 5", 7, 8, "the 1"),
    ],
)
def test_what_a_guide_settles(text, meter, unit, expected):
    bars = bars_of(pulse(meter * 8, meter=meter, unit=unit))
    assert fixes(guide(text), bars, tempo_of(beats_of(pulse(meter * 8, meter=meter, unit=unit)), bars)) == expected


def test_no_guide_and_no_places_have_none():
    bars = bars_of(pulse(16))
    tempo = tempo_of(beats_of(pulse(16)), bars)
    assert find_misreadings((), bars, tempo) == ()
    assert find_misreadings((replace(guide("1"), places=()),), bars, tempo) == ()


@pytest.mark.parametrize("text", ["1& 2& 3& 4&", "1 1& 2 2& 3 3& 4 4&", "1e 3a"])
def test_a_bass_is_told_from_its_misreadings_by_the_chords(text):
    a_pulse = pulse(32, bpm=100)
    bars = bars_of(a_pulse)
    of_any = guide(text)
    bass = replace(of_any, sound=Sound(90.0, 300.0, 0.1, instrument="bass"))
    tempo = tempo_of(beats_of(a_pulse), bars)
    cues = {found.cue for found in find_misreadings((bass,), bars, tempo)}
    others = {found.cue for found in find_misreadings((of_any,), bars, tempo)}
    assert any("bass" in cue for cue in others)
    assert cues and not any("bass" in cue for cue in cues)
