"""Practice audio: clicks, the track stretched and mixed, guides brought forward, ladders."""
