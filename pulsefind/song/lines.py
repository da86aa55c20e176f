"""Finds the line of something in a TOML text, since the standard reader gives values without places."""

from __future__ import annotations

import re

_HEADER = re.compile(r"\s*\[{1,2}\s*([^\[\]]+?)\s*\]{1,2}\s*(?:#.*)?$")


def line_of(text: str, key: str, table: str = "", entry: int = 0, value: object = None) -> int:
    """The number (from 1) of the line with a key, or with a value in the list after it.

    table: the name of the table that holds the key; entry: which of several tables of that name, from 0. A value is
    looked for from the key's line on, as text. What isn't found counts as on line 1.
    """
    lines = text.splitlines()
    first = _first_of_table(lines, table, entry)
    at = next((k for k in range(first, len(lines)) if _begins(lines[k], key)), None)
    if at is None:
        # An inline table, or a key whose name is written in an unusual way.
        at = next((k for k in range(len(lines)) if _begins(lines[k], table or key)), max(0, first - 1))
    if value is None:
        return at + 1
    sought = str(value)
    return next((k + 1 for k in range(at, len(lines)) if sought in lines[k]), at + 1)


def _first_of_table(lines: list[str], table: str, entry: int) -> int:
    """The index of the first line below a table's header; 0 for the top."""
    if not table:
        return 0
    found = [k for k, line in enumerate(lines) if (match := _HEADER.match(line)) and match[1].strip("\"'") == table]
    return found[entry] + 1 if entry < len(found) else 0


def _begins(line: str, key: str) -> bool:
    written = line.strip().partition("=")[0].strip()
    return "=" in line and written.strip("\"'") == key
