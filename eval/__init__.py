"""Scores pulsefind and its baselines on annotated recordings; run it as `python -m eval`."""
