"""How much is plausible at all: what goes beyond is refused before any work on it starts."""

LONGEST_S = 4 * 3600
"""Of a recording, and of what is rendered. Judged: an evening's concert."""

SHORTEST_BEAT_S, LONGEST_BEAT_S = 0.05, 50.0
"""Of beats that are told. Judged: twice the fastest beat that anybody counts; and a long fermata."""

CLOSEST_BEATS_S = 0.01
"""Of beats in a saved analysis, which may have been moved since. Judged: a fifth of the shortest."""

LONGEST_BAR = 64  # judged: far beyond any bar that is counted
LONGEST_PATTERN = 16  # bars; judged: a form of sixteen
MOST_BEATS_IN_ALL = 100_000  # judged: beyond four hours of quick beats
