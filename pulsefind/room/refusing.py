"""Refusals, each in one line."""

from __future__ import annotations


class RefusedError(Exception):
    """A refused request: its HTTP status (RFC 9110), and one line that says what to do instead."""

    def __init__(self, status: int, line: str) -> None:
        super().__init__(line)
        self.status, self.line = status, line
