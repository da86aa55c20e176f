"""Plain tables."""

from __future__ import annotations


def table(title: str, head: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """A plain table."""
    cells = [head, *[tuple(_cell(v) for v in row) for row in rows]]
    width = [max(len(row[k]) for row in cells) for k in range(len(head))]
    lines = [
        "  ".join(text.rjust(w) if k else text.ljust(w) for k, (text, w) in enumerate(zip(row, width, strict=True)))
        for row in cells
    ]
    return "\n".join([title, *lines, ""])


def _cell(value: object) -> str:
    return f"{value:.2f}" if isinstance(value, float) else str(value)
