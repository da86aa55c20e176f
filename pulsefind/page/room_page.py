"""The room's own page: the list of songs, filled by its script."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from pulsefind.page.assets import joined_script, render, source_hash, web_text

STYLES = ("page.css", "room.css")


def room_html(data: Mapping[str, Any]) -> tuple[str, str]:
    """The page with what its script needs to know, and its policy: it may ask the place that it came from, no other."""
    script, style = joined_script("room.mjs"), "".join(map(web_text, STYLES))
    policy = "; ".join(
        (
            "default-src 'none'",
            "connect-src 'self'",
            f"script-src {source_hash(script)}",
            f"style-src {source_hash(style)}",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    values = {"script": Markup(script), "style": Markup(style), "data": data, "policy": policy}
    return render("room.html", values), policy
