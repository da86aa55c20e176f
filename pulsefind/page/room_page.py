"""The room's own page: the list of songs, which its script draws."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from pulsefind.page.assets import joined_script, render, source_hash, web_text

STYLES = ("page.css", "room.css")


class RoomPage:
    """The page and its policy: it may ask the place that it came from and show what lies there, nothing else."""

    def __init__(self) -> None:
        self._script, self._style = joined_script("room.mjs"), "".join(map(web_text, STYLES))
        self.policy = "; ".join(
            (
                "default-src 'none'",
                "connect-src 'self'",
                # Sheets are printed from a frame.
                "frame-src 'self'",
                f"script-src {source_hash(self._script)}",
                f"style-src {source_hash(self._style)}",
                "base-uri 'none'",
                "form-action 'none'",
            )
        )

    def html(self, data: Mapping[str, Any]) -> tuple[str, str]:
        """The page with what its script needs to know, and the policy to send with it."""
        values = {"script": Markup(self._script), "style": Markup(self._style), "data": data, "policy": self.policy}
        return render("room.html", values), self.policy
