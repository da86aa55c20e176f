"""Data sets: what they are, and tracks with their annotation."""
