"""How Chromium is started where it is driven by a program."""

from __future__ import annotations

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
)
"""Nothing is asked of any network but by the page itself, and sound needs no press first."""
