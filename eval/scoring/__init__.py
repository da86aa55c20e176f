"""Systems run on tracks, scored, compared and put into tables."""
