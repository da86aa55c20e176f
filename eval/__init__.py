"""Scores pulsefind and its baselines on annotated recordings; run it as `python -m eval`."""

from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
"""The project's folder."""
