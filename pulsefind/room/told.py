"""Corrections from the page, written to the song's file, each with an undo step.

The page names the text it started from by its mark and sends the keys as they should be now. A request may therefore
arrive twice or late, and the file's comments and other keys survive. Earlier texts are kept with what can be remade.
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

from pulsefind.core.files import rewrite_file, write_file
from pulsefind.room.refusing import RefusedError
from pulsefind.song.place import find_song, song_path
from pulsefind.song.reading import KEYS, corrections_of, read_text
from pulsefind.song.writing import HEAD, edited

_STEPS = "steps.json"
MOST_STEPS = 50  # judged: an evening of corrections


def text_of(track: Path) -> str | None:
    """The text of a song's file as it is now; None if there is no file."""
    path = find_song(track)
    return None if path is None else read_text(path)


def mark_of(text: str | None) -> str:
    """The mark of a text: equal texts have equal marks."""
    return hashlib.sha256(b"\0" if text is None else text.encode()).hexdigest()[:16]


class Told:
    """One song's file, and its undo steps."""

    def __init__(self, track: Path, made: Path) -> None:
        self._track, self._path = track, made / _STEPS

    def tell(self, base: str, values: dict[str, Any], dropped: list[str]) -> bool:
        """Set some keys and drop others in the text whose mark is base; returns False if nothing changes.

        Raises
        ------
        RefusedError
            if somebody else has changed the file since.
        PulsefindError
            if the corrections are invalid.
        """
        if not (values.keys() | set(dropped)) <= set(KEYS):
            raise RefusedError(400, "the page told something that a song's file doesn't have")
        now, steps = text_of(self._track), self._steps()
        begun = steps[-1] if steps else None
        if mark_of(now) == base:
            before, is_new = now, True
        elif begun is not None and (begun["base"], begun["now"]) == (base, mark_of(now)):
            before, is_new = begun["before"], False
        else:
            raise RefusedError(409, "the song's file was changed elsewhere; load this page anew")
        name = song_path(self._track).name
        text = edited(before or HEAD, {**values, **dict.fromkeys(dropped)}, name)
        corrections_of(text, name)
        if text == now or (now is None and text == HEAD):
            return False
        self._put(text)
        step = {"before": before, "base": base, "now": mark_of(text)}
        self._keep([*(steps if is_new else steps[:-1]), step])
        return True

    def undo(self) -> bool:
        """Undo the last step; returns False if there is none, or the file was edited by hand since.

        Raises
        ------
        PulsefindError
            if it can't be written.
        """
        steps = self._steps()
        if not self.can_undo:
            return False
        before = steps[-1]["before"]
        if before is None:
            (find_song(self._track) or song_path(self._track)).unlink(missing_ok=True)
        else:
            self._put(before)
        self._keep(steps[:-1])
        return True

    @property
    def can_undo(self) -> bool:
        """Is there a step to undo?"""
        steps = self._steps()
        return bool(steps) and steps[-1]["now"] == mark_of(text_of(self._track))

    def _put(self, text: str) -> None:
        path = find_song(self._track) or song_path(self._track)
        if os.path.lexists(path):
            rewrite_file(path, text.encode())
        else:
            write_file(path, text.encode(), False)

    def _steps(self) -> list[dict[str, Any]]:
        try:
            steps = json.loads(self._path.read_bytes())
        except (OSError, ValueError):
            return []
        return steps if isinstance(steps, list) and all(map(_is_step, steps)) else []

    def _keep(self, steps: list[dict[str, Any]]) -> None:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        write_file(self._path, json.dumps(steps[-MOST_STEPS:]).encode(), True)


def _is_step(step: Any) -> bool:
    return isinstance(step, dict) and step.keys() == {"before", "base", "now"}
