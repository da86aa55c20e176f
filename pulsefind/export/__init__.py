"""Open formats for other programs."""
