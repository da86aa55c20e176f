"""What happens once tells one bar from another."""

import numpy as np

from eval.take.simulation import make_track
from pulsefind.take.departures import departures_of
from pulsefind.take.heard import RATE_HZ, Heard
from pulsefind.take.records import TakeHits

BAR_S = 2.0


def _hits(rows):
    rows = sorted(rows)
    return TakeHits(
        np.array([row[0] for row in rows]), tuple(row[1] for row in rows), np.zeros(len(rows)), "dB", 40.0, "audio"
    )


def test_a_stroke_in_every_bar_is_usual_and_one_that_comes_once_is_rare():
    # 120 bpm, the track's bars begin at 1 s: kicks on every 1, one snare on the 3 of the eighth bar.
    hits = _hits([(1.0 + BAR_S * bar, "kick") for bar in range(16)] + [(1.0 + BAR_S * 7 + 1.0, "snare")])
    heard = Heard(np.ones(7000), np.ones(7000), 0.0, 35.0)
    rare = departures_of(make_track(120.0, 16), heard, hits).rare
    assert rare[np.array(hits.kind) == "snare"] == 1.0
    assert not rare[np.array(hits.kind) == "kick"].any()


def test_a_break_of_both_is_met_at_its_own_bar_only_and_what_comes_in_every_bar_tells_nothing():
    track = make_track(120.0, 16)
    # The track's onsets: one in every bar on the 1, and once, in the eighth bar, one on the 3.
    density = np.full(int(36 * RATE_HZ), 0.2)
    for at_s in [1.0 + BAR_S * bar for bar in range(16)] + [1.0 + BAR_S * 7 + 1.0]:
        density[round(at_s * RATE_HZ) - 4 : round(at_s * RATE_HZ) + 5] = 5.0
    rows = [(1.0 + BAR_S * bar, "snare") for bar in range(16)] + [(1.0 + BAR_S * 7 + 1.0, "snare")]
    hits = _hits(rows)
    found = departures_of(track, Heard(density, density, 0.0, 35.0), hits)
    kick = np.zeros(len(rows), bool)
    there, *elsewhere = (found.agreeing(hits.time_s + BAR_S * bars, kick)[1] for bars in (0, -2, -1, 1, 2))
    # The once-struck stroke on the once-heard onset: log of its density less the mean over sixteen bars.
    loud, soft = np.log(0.3 + 0.7 * 5.0), np.log(0.3 + 0.7 * 0.2)
    assert abs(there - (loud - (loud + 15 * soft) / 16)) < 1e-6
    assert max(elsewhere) <= 0.0
