"""The styles that songs are made in."""

from __future__ import annotations

from eval.train.style import Style
from eval.train.styles_dance import DANCE_STYLES
from eval.train.styles_other import OTHER_STYLES
from eval.train.styles_rock import ROCK_STYLES

STYLES: tuple[Style, ...] = ROCK_STYLES + DANCE_STYLES + OTHER_STYLES
"""In an order that the seeds of songs rest on: a new one goes to the end."""
