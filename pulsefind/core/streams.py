r"""What is told, on standard output and standard error: shown, never obeyed, and readable in any locale.

A name or a title may hold what a terminal takes for an order (move, erase, colour, write backwards). Here it becomes
an escape like \u001b: visible in a text, and in JSON, where such signs stand in strings only, the same string. The
same holds for letters that the locale's encoding doesn't have.
"""

from __future__ import annotations

import codecs
import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TextIO, cast

_BACKWARDS = (0x61C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A))
"""Signs that turn the direction of writing: published (Unicode, UAX 9)."""

_ORDERS = {*range(0x20), *range(0x7F, 0xA0), *_BACKWARDS} - {ord("\n"), ord("\t")}
"""What a terminal would obey: control characters, published (ISO/IEC 6429), and those signs."""

_SHOWN = {order: f"\\u{order:04x}" for order in _ORDERS}
_LONGEST_WORD = 300  # judged: the name of a file has up to 255 bytes
_ERRORS = "pulsefind.escaped"
_STANDARD_ERROR = 2  # published (POSIX): its number in every process


def open_closed() -> None:
    """Open on nothing what of the three standard streams is closed: else the next file takes its number, and is told
    what was meant for a person.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # The lowest free number: this one.
        if getattr(sys, name) is None:
            mode = "r" if name == "stdin" else "w"
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 - open to the end


class Shown:
    """A stream that shows what it is told, and obeys nothing; `obeyed` is the stream behind it."""

    def __init__(self, stream: TextIO) -> None:
        """Stand before a stream."""
        self.obeyed = stream

    def write(self, text: str) -> int:
        """Show a text; returns its length."""
        self.obeyed.write(text.translate(_SHOWN))
        return len(text)

    def __getattr__(self, name: str) -> Any:
        """All else is the stream's, but its bytes: what is written there would be obeyed."""
        if name == "buffer":
            raise AttributeError(name)
        return getattr(self.obeyed, name)


class Said(Shown):
    """The stream of messages. Where they can't be told (the disk is full that keeps them), the work goes on."""

    def write(self, text: str) -> int:
        """Show a message; returns its length."""
        try:
            return super().write(text)
        except OSError:
            # What was held back for it would be tried again, at Python's end too: from now on it goes nowhere.
            _to_nowhere(self.obeyed.fileno())
            return len(text)


@contextlib.contextmanager
def shown() -> Iterator[None]:
    """For the length of the block, what is printed is shown and not obeyed, and libraries say nothing."""
    before = sys.stdout, sys.stderr
    codecs.register_error(_ERRORS, _escaped)
    with _ours_alone(before[1]) as messages:
        for stream in (before[0], messages):
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors=_ERRORS)
        sys.stdout, sys.stderr = cast("TextIO", Shown(before[0])), cast("TextIO", Said(messages))
        try:
            yield
        finally:
            sys.stdout, sys.stderr = before


@contextlib.contextmanager
def _ours_alone(stream: TextIO) -> Iterator[TextIO]:
    """Standard error for us alone: what decoders print past Python means nothing to a drummer, and goes nowhere.

    A stream that is not the process's own standard error is left as it is.
    """
    try:
        number = stream.fileno()
    except (AttributeError, OSError, ValueError):
        number = -1
    if number != _STANDARD_ERROR:
        yield stream
        return
    stream.flush()
    ours = os.dup(number)
    _to_nowhere(number)
    try:
        with os.fdopen(ours, "w", buffering=1, encoding=stream.encoding, errors=_ERRORS, closefd=False) as copy:
            yield copy
    finally:
        os.dup2(ours, number)
        os.close(ours)


def _to_nowhere(number: int) -> None:
    """From now on what is written to this file number is lost."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, number)
    os.close(nowhere)


def terminal() -> TextIO:
    """Standard error as the terminal obeys it: to say how far a run is, and to take that off again."""
    return cast("TextIO", getattr(sys.stderr, "obeyed", sys.stderr))


def _escaped(error: UnicodeError) -> tuple[str, int]:
    """What an encoding doesn't have, as JSON writes it: beyond 16 bits two escapes. Half a letter stays a half."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    units = error.object[error.start : error.end].encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[k]:02x}{units[k + 1]:02x}" for k in range(0, len(units), 2)), error.end


def one_line(text: str) -> str:
    """A message on one line, of words that a person can take in: of longer ones both ends."""
    words = (w if len(w) <= _LONGEST_WORD else f"{w[:60]}...{w[-20:]}" for w in text.split())
    return " ".join(words)
