"""The set of styles that no network was taught: readable as a set, and strange to training."""

from __future__ import annotations

from itertools import islice

from eval.reader.songs import SHORTEST_S
from eval.reader.styles_unheard import UNHEARD_STYLES
from eval.reader.unheard import SET_NAME, write_set
from eval.sets.loaders import load_set
from eval.train.ingredients import own_sounds_only
from eval.train.styles import STYLES


def rhythms(style):
    """Where the drums, the bass and the chords strike, whatever the style is called."""
    comps = tuple(rhythm for _, rhythm in style.comps)
    return style.beats, style.slots, style.kick, style.snare, style.hat, style.bass, comps


def test_no_style_is_one_that_songs_are_made_in_for_training():
    taught = {style.name for style in STYLES}, {rhythms(style) for style in STYLES}
    for style in UNHEARD_STYLES:
        assert style.name not in taught[0]
        assert rhythms(style) not in taught[1]


def test_its_songs_are_read_as_a_set_with_the_style_as_genre(tmp_path):
    names = list(islice(write_set(own_sounds_only(), tmp_path, 1), 2))
    tracks = load_set(SET_NAME, tmp_path)
    assert sorted(names) == [track.name for track in tracks]
    for track, style in zip(sorted(tracks, key=lambda t: names.index(t.name)), UNHEARD_STYLES, strict=False):
        assert track.genre == style.name
        assert track.kind == "rendered"
        assert track.duration_s > SHORTEST_S / 2
        assert track.reference.count.max() == style.beats or style.beats == 4
