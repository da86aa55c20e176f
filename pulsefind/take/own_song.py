"""Is a take of this song at all? By how it sits on the grid, and how its strokes meet the track's onsets.

A prior for starts can't tell: it says where a take of this song starts. A take of another song has a start, too, that
fits best, and may be as long. So before a start is taken, the playing laid there must follow the track better than the
playing of other songs does.
"""

from __future__ import annotations

import numpy as np

from pulsefind.take.likelihood import Fit

_LEVEL, _ON_GRID, _ON_ONSETS = -1.95, 1.39, 0.08
"""Log likelihood ratio of this song against others: a level, and what it gains with each hit's mean log likelihood
ratio on the grid and with that of all hits on the track's onsets. Fitted by logistic regression to 48 made songs,
against 288 takes of others of them brought to their tempo and length (eval/take/NOTES.md).
"""

_RIGHT_SONG = 30.0
"""Prior odds that the take named is one of the track named (judged: whoever names the files seldom takes the wrong
one).
"""

_SAME_SAMPLES = 5.0
"""What it counts that both have the same length to the sample (judged: half of the takes exported with their song have,
and one in ten of other songs, exported over the same bars). Less equal lengths count nothing: songs of a set
are often as long.
"""


def own_song(fit: Fit, same_samples: bool) -> float:
    """Probability that a take is one of this song, from its best fit near the start in question."""
    log_odds = _LEVEL + _ON_GRID * fit.per_hit + _ON_ONSETS * fit.on_onsets
    log_odds += np.log(_RIGHT_SONG) + (np.log(_SAME_SAMPLES) if same_samples else 0.0)
    return float(1 / (1 + np.exp(-log_odds)))
