"""pulsefind on madmom's networks in place of its own, as a system to be scored."""

from __future__ import annotations

from pathlib import Path

from eval.records import Answer, Reference
from eval.scoring.system_pulsefind import analysed
from pulsefind.core.records import Settings


def answer(path: Path, given: Reference | None) -> Answer:
    """Analyse the recording with the stock networks, without any hint and without the cache."""
    return analysed(path, Settings(network="stock", use_cache=False))
