"""What the report says about guides, from made records."""

from dataclasses import replace

from making import at_places, hits_at, pulse
from pagemaking import analysis_of

from pulsefind.records import Sound
from pulsefind.report import report


def of(*guides):
    """An analysis of guides given as (places, loudness in dB)."""
    beat = pulse(64)
    sounds = tuple(Sound(8000.0 / 4**k, 50.0, 0.5) for k in range(len(guides)))
    hits = hits_at(*(at_places(beat, places) for places, _ in guides), sounds=sounds)
    level = [guides[k][1] for k in hits.sound]
    return analysis_of(beat, replace(hits, level_db=level), "song.wav", 0.9)


def test_easiest_and_most_telling_are_told_where_they_differ():
    text = report(of(((0, 1, 2, 3), 30.0), ((0, 1.5), 9.0)))
    assert "easiest to hear is 1; 2 tells you most: it settles the 1" in text
    assert "by itself it settles the beat" in text
    assert max(map(len, text.splitlines())) <= 80


def test_one_guide_that_does_both_needs_no_line():
    assert "easiest to hear" not in report(of(((0, 1.5), 30.0), ((0, 1, 2, 3), 5.0)))
    assert "easiest to hear" not in report(of(((0, 1.5), 30.0)))


def test_no_more_than_two_traps_are_shown():
    text = report(of(((1, 3), 30.0)))
    assert text.count("Trap:") == 2 and "1 and 3" in text
