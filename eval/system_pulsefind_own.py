"""pulsefind with its own network alone, as a system to be scored."""

from __future__ import annotations

from pathlib import Path

from eval.records import Answer, Reference
from eval.system_pulsefind import analysed
from pulsefind.core.records import Settings


def answer(path: Path, given: Reference | None) -> Answer:
    """Analyse the recording with free weights only, without any hint and without the cache."""
    return analysed(path, Settings(network="own", use_cache=False))
