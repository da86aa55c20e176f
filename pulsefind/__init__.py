"""pulsefind: where the beat and the 1 are in a recording, and which sound a drummer can follow.

`import pulsefind` is light; the numerical libraries are imported when something is analysed.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pulsefind.analysis import analyse
    from pulsefind.core.errors import AudioError, FormatError, HintError, OutputError, PulsefindError
    from pulsefind.core.records import Analysis, Settings
    from pulsefind.listen.audio import from_samples, load
    from pulsefind.saved import from_json, to_json

__version__ = "0.1.0"

__all__ = [
    "Analysis",
    "AudioError",
    "FormatError",
    "HintError",
    "OutputError",
    "PulsefindError",
    "Settings",
    "analyse",
    "from_json",
    "from_samples",
    "load",
    "to_json",
]

_HOME = {
    "analyse": "analysis",
    "from_json": "saved",
    "to_json": "saved",
    "from_samples": "listen.audio",
    "load": "listen.audio",
    "AudioError": "core.errors",
    "FormatError": "core.errors",
    "HintError": "core.errors",
    "OutputError": "core.errors",
    "PulsefindError": "core.errors",
    "Analysis": "core.records",
    "Settings": "core.records",
}


def __getattr__(name: str) -> object:
    """Import a public name when it is first asked for (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module 'pulsefind' has no attribute '{name}'")
    return getattr(import_module(f"pulsefind.{_HOME[name]}"), name)
