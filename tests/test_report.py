"""What the report says about guides, from made records."""

import re
from dataclasses import replace
from pathlib import Path

from making import at_places, hits_at, pulse
from pagemaking import analysis_of

from pulsefind.core.records import Sound
from pulsefind.demo import FILE_NAME
from pulsefind.report import report


def of(*guides):
    """An analysis of guides given as (places, loudness in dB)."""
    beat = pulse(64)
    sounds = tuple(Sound(8000.0 / 4**k, 50.0, 0.5) for k in range(len(guides)))
    hits = hits_at(*(at_places(beat, places) for places, _ in guides), sounds=sounds)
    level = [guides[k][1] for k in hits.sound]
    return analysis_of(beat, replace(hits, level_db=level), "song.wav", 0.9)


def test_easiest_and_most_telling_are_told_where_they_differ():
    text = report(of(((1, 3), 30.0), ((0, 1.5), 5.0)))
    assert "easiest to hear is 1; 2 tells you most: it settles the 1" in text
    assert "by itself it settles the half bar" in text
    assert max(map(len, text.splitlines())) <= 80


def test_a_guide_on_every_beat_comes_after_one_that_settles_the_1():
    text = report(of(((0, 1, 2, 3), 30.0), ((0, 1.5), 9.0)))
    assert "easiest to hear is 2; 1 tells you most: it settles the 1" in text
    assert "falls on 1 and 2&" in text


def test_one_guide_that_does_both_needs_no_line():
    assert "easiest to hear" not in report(of(((0, 1.5), 30.0), ((0, 1, 2, 3), 5.0)))
    assert "easiest to hear" not in report(of(((0, 1.5), 30.0)))


def test_no_more_than_two_traps_are_shown():
    text = report(of(((1, 3), 30.0)))
    assert text.count("Trap:") == 2 and "1 and 3" in text


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
