"""Made sets for guides: songs whose truth is that of their notes, and tracks on which there is nothing to follow."""

import numpy as np
import pytest

from eval.sets.bands import onsets, write_bands
from eval.sets.loaders import load_set
from eval.sets.unfollowable import KINDS, tracks
from eval.train.aims import AIMS
from eval.train.ingredients import RATE_HZ, own_sounds_only
from eval.train.songs import SongMaker
from pulsefind import Settings, analyse
from pulsefind.listen.audio import from_samples


def test_songs_without_drums_have_onsets_and_songs_with_drums_have_all_in_one_file(tmp_path):
    for name in ("bands", "bands_drumless"):
        write_bands(tmp_path, name, 1)
        (track,) = load_set(name, tmp_path)
        assert track.duration_s >= 20 and len(track.reference.beat_s) > 20
        kit = {"KD", "SD", "HH", "CY", "TT", "OT"}
        assert bool(kit & set(track.reference.struck)) == (name == "bands")
        assert set(track.reference.struck) - kit
        assert (track.reference.drums is None) == (name == "bands_drumless")


def test_onsets_are_those_of_the_notes_and_a_chord_counts_once():
    maker = SongMaker(own_sounds_only(), aim=AIMS["pulse"])
    songs = (maker.play(np.random.default_rng(seed)) for seed in range(5000, 5100))
    song, bass = next((song, part) for song in songs for part in song.parts if part.role == "bass")
    found = onsets(song)
    assert set(found[f"bass_{bass.family}"]) <= set(bass.notes[:, 0])
    assert all((np.diff(times) > 0).all() for times in found.values())
    for part in song.parts:
        if f"{part.role}_{part.family}" in found and part.role == "comp":
            assert len(found[f"{part.role}_{part.family}"]) <= len(part.notes)


def test_every_unfollowable_track_is_made_and_loud():
    made = list(tracks())
    assert {kind: sum(track.kind == kind for track in made) for kind in KINDS} == KINDS
    assert all(np.abs(track.samples).max() == pytest.approx(0.5) for track in made)


@pytest.mark.parametrize("kind", KINDS)
def test_no_guide_is_claimed_where_there_is_nothing_to_follow(kind):
    track = next(track for track in tracks() if track.kind == kind)
    analysis = analyse(from_samples(track.samples, RATE_HZ), Settings(network="own", use_cache=False))
    assert analysis.guides == ()
