"""Made takes: take and track are of one performance, on one clock, and the strokes are those that are written down."""

import mir_eval
import numpy as np

from eval.sets.annotations import read_drums
from eval.take.band import pairs
from eval.take.made import FEWEST_OF_KIT, SONGS, TAKES, TRACKS, made_takes, write_takes
from eval.train.ingredients import RATE_HZ
from pulsefind.listen.audio import load
from pulsefind.take.strokes import find_strokes


def test_take_and_track_lie_as_the_real_sets_do_and_begin_together(tmp_path):
    names = write_takes(tmp_path, 2, 30000)
    found = pairs(tmp_path / TAKES, tmp_path / TRACKS)
    assert [take.stem for take, _ in found] == names and len(set(names)) == 2
    for take_path, track_path in found:
        take, track = load(take_path), load(track_path)
        assert take.duration_s == track.duration_s >= 20
        struck = read_drums(tmp_path / SONGS / "drums" / f"{take_path.stem}.txt", take.duration_s)
        assert len(struck["KD"]) + len(struck["SD"]) >= FEWEST_OF_KIT
        # Written is what sounds: kicks and snares lie where strokes are heard, though by another way of finding them.
        written_s = np.unique(np.concatenate([struck["KD"], struck["SD"]]))
        heard_s = find_strokes(take).time_s
        assert len(mir_eval.util.match_events(written_s, np.unique(heard_s), 0.03)) >= 0.8 * len(written_s)


def test_the_same_seed_makes_the_same_take_and_no_drum_is_in_the_track():
    (first,), (again,) = list(made_takes(1, 30000)), list(made_takes(1, 30000))
    assert first[0] == again[0] and np.array_equal(first[2], again[2])
    drums, rest = first[2][0], first[2][1:].sum(axis=0)
    assert len(drums) == len(rest) == int(first[1].end_s * RATE_HZ)
    assert abs(np.corrcoef(drums, rest)[0, 1]) < 0.05
