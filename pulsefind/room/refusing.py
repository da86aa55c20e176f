"""What is refused, in one line."""

from __future__ import annotations


class RefusedError(Exception):
    """A request that isn't answered: the HTTP status (RFC 9110) and one line on what to do instead."""

    def __init__(self, status: int, line: str) -> None:
        super().__init__(line)
        self.status, self.line = status, line
