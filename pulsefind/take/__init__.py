"""The review of a take: strokes, alignment, matching, measures."""
