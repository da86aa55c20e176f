"""What the report says about guides, from made records."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import songs
from making import at_places, hits_at, pulse
from pagemaking import analysis_of

from pulsefind.core.counts import label
from pulsefind.core.records import Alternative, Confidence, SectionConfidence, Sound
from pulsefind.core.words import field
from pulsefind.demo import FILE_NAME
from pulsefind.report.terminal import report


def of(*guides):
    """An analysis of guides given as (places, loudness in dB)."""
    beat = pulse(64)
    sounds = tuple(Sound(8000.0 / 4**k, 50.0, 0.5) for k in range(len(guides)))
    hits = hits_at(*(at_places(beat, places) for places, _ in guides), sounds=sounds)
    level = [guides[k][1] for k in hits.sound]
    return analysis_of(beat, replace(hits, level_db=level), "song.wav", 0.9)


def told(analysis):
    """The report's words without its line breaks."""
    return " ".join(report(analysis).split())


def test_the_plan_comes_before_all_that_is_said_about_a_guide():
    text = report(of(((1, 3), 30.0), ((0, 1.5), 5.0)))
    order = ["Tempo", "Feel", "Count-in", "The 1", "FOLLOW", "Count  ", "Also", "How sure", "Wrong?"]
    at = [re.search(f"^{name}", text, re.M).start() for name in order]
    assert at == sorted(at)
    assert "bars 1-16          bright tick on 2 and 4" in text


def test_the_loudest_and_the_surest_are_told_where_they_differ():
    text = told(of(((1, 3), 30.0), ((0, 1.5), 5.0)))
    assert "Loudest: bright tick. Surest about the 1: mid tap." in text
    assert "two counts of which one is the 1" in text


def test_a_guide_on_every_beat_comes_after_one_that_settles_the_1():
    text = told(of(((0, 1, 2, 3), 30.0), ((0, 1.5), 9.0)))
    assert "Loudest: bright tick. Surest about the 1: mid tap." in text
    assert "FOLLOW bars 1-16 mid tap on 1 and 2&" in text


def test_one_guide_that_does_both_needs_no_line():
    assert "Loudest" not in report(of(((0, 1.5), 30.0), ((0, 1, 2, 3), 5.0)))
    assert "Loudest" not in report(of(((0, 1.5), 30.0)))


def test_no_more_than_two_mishearings_are_shown():
    assert report(of(((1, 3), 30.0))).count("Easy to mishear") == 2


def test_a_song_in_doubt_says_so_before_the_plan_and_how_to_settle_it():
    sure = of(((0, 1.5), 30.0))
    other = Alternative("the 1 is 2 beats later", 0.5, "--one-at 2.00")
    text = told(replace(sure, confidence=Confidence(0.4, 0.9, 0.9), alternatives=(other,)))
    assert "DOUBT The 1 may well be 2 beats later. Listen at 0:03, bar 2:" in text
    assert text.index("If not, add --one-at 2.00") < text.index("FOLLOW")
    assert "not sure of the 1" in text and "%" not in text
    less = told(replace(sure, confidence=Confidence(0.55, 0.9, 0.9), alternatives=(other,)))
    assert "The 1 may be 2 beats later." in less


def test_alone_is_said_only_where_nothing_pulses():
    # Of the bars without a guide those are alone in which more than half of the beats have no sound of their own.
    made = of(((0, 1.5), 30.0))
    silent = replace(made, plan=(0,) * 12 + (None,) * 4)
    text = told(silent)
    assert "bars 13-16 the band's pulse, 0:25-0:33: no one sound repeats never alone" in text
    carried = np.arange(len(made.beats.time_s)) >= 48
    text = told(replace(silent, beats=replace(made.beats, carried=carried)))
    assert "bars 13-16 alone, 0:25-0:33: you carry the time" in text and "never alone" not in text


def test_doubtful_bars_have_a_question_mark_and_the_tap_that_settles_them():
    sure = of(((0, 1.5), 30.0))
    sections = (SectionConfidence(0, 7, 0.9, 1.0), SectionConfidence(8, 15, 0.3, 1.0))
    text = told(replace(sure, confidence=Confidence(0.8, 0.9, 0.9, 1.0, sections)))
    assert "FOLLOW bars 1-16 ?" in text
    # Bar 9 of bars of 2 s that start at 1 s.
    assert (
        "? Bars 9-16: the 1 may be elsewhere. Count along from 0:17. If it doesn't fit, tap 8 bars there and add"
        in text
    )


def test_an_option_and_its_value_stay_in_one_line():
    for filler in range(60, 80):
        lines = field("Wrong?", "x" * filler + " add --bpm 173:212 or --one-at 1.5")
        assert any("--bpm 173:212" in line for line in lines) and any("--one-at 1.5" in line for line in lines)
        assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("seed", range(12))
def test_no_line_is_wider_than_80_columns(seed):
    rng = np.random.default_rng(seed)
    slots, unit, meter = int(rng.choice([2, 3, 4, 6])), int(rng.choice([4, 8])), int(rng.choice([3, 4, 5, 6, 7, 12]))
    places = [(label(c, s, slots), b) for b in (1, 2) for c in range(1, meter + 1) for s in range(slots)]
    chosen = [place for place in places if rng.random() < 0.8]
    made = songs.analysis((meter,) * 12, bpm=120, slots=slots, unit=unit, guide=chosen, pattern_bars=2)
    lines = report(made).splitlines()
    assert max(map(len, lines)) <= 80
    counts = "\n".join(lines).partition("Count  ")[2].partition("In brackets")[0]
    struck = re.findall(r"\((\d+\S*)\)", counts)
    assert struck == [name for name, _ in chosen]


NUMBER = re.compile(r"\d+(?:\.\d+)?")


def last_digit(number):
    return 10.0 ** -len(number.partition(".")[2])


def test_the_report_in_the_readme_is_the_one_that_is_printed(demo_analysis):
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    shown = readme.partition("## What it prints")[2].split("```\n")[1]
    printed = report(replace(demo_analysis, track=replace(demo_analysis.track, name=FILE_NAME)))
    assert NUMBER.sub("0", shown) == NUMBER.sub("0", printed)
    # Processors and versions round otherwise: a number may differ by one in its last digit.
    for a, b in zip(NUMBER.findall(shown), NUMBER.findall(printed), strict=True):
        assert abs(float(a) - float(b)) <= 1.001 * last_digit(a), (a, b)
