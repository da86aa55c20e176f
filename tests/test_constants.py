"""Every number that a module of pulsefind names says where it comes from, beside it or right after it."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent / "pulsefind"

ORIGIN = re.compile(
    r"""judged|fitted|measured|invented|published|common\ practice|from\ memory|arithmetic|as\ trained
    |format's\ own\ number|\b(?:18|19|20)\d\d\b""",
    re.IGNORECASE | re.VERBOSE,
)
"""A word for the origin: judged; fitted or measured (by which command, or where it is written down); published (where,
or the year of the work); common practice; from memory; following from other numbers (arithmetic); given by a network's
layout as it was trained."""


def unexplained(source: str) -> list[str]:
    """The module's numeric constants without a word on where they come from.

    The word stands in a comment on the constant's lines or right above them, or in a string right after it.
    """
    lines, body = source.splitlines(), ast.parse(source).body
    found = []
    for k, node in enumerate(body):
        names = _constants(node)
        if names and not ORIGIN.search(_words(node, lines, body[k + 1] if k + 1 < len(body) else None)):
            found.append(f"{node.lineno}: {', '.join(names)}")
    return found


def _constants(node: ast.stmt) -> list[str]:
    """The names in capitals to which a statement gives a value with a number in it."""
    if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
        return []
    numbers = [
        n for n in ast.walk(node.value) if isinstance(n, ast.Constant) and type(n.value) in (int, float, complex)
    ]
    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
    names = [n.id for target in targets for n in ast.walk(target) if isinstance(n, ast.Name)]
    return names if numbers and names and all(name.strip("_").isupper() for name in names) else []


def _words(node: ast.stmt, lines: list[str], after: ast.stmt | None) -> str:
    first, last = node.lineno - 1, node.end_lineno or node.lineno
    words = [line.partition("#")[2] for line in lines[first:last]]
    above = first - 1
    while above >= 0 and lines[above].startswith("#"):
        words.append(lines[above])
        above -= 1
    if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) and isinstance(after.value.value, str):
        words.append(after.value.value)
    return " ".join(" ".join(words).split())


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("A = 1\n", ["1: A"]),
        ("A = 1  # how many\n", ["1: A"]),
        ("A = 1  # judged: how many\n", []),
        ("# Judged.\nA = 1\nB = 2\n", ["3: B"]),
        ('A, _B = 1, 2.5\n"""Fitted by a command."""\n', []),
        ('A = 1\nB = 2\n"""Published: Somebody 1995."""\n', ["1: A"]),
        ('A = {"x": (1, 2)}\n', ["1: A"]),
        ("A = B\nC = 'x'\nd = 1\nE = True\n", []),
        ("A: float = 2 / 3\n", ["1: A"]),
    ],
)
def test_the_check_finds_what_it_is_for(source: str, found: list[str]) -> None:
    assert unexplained(source) == found


def test_every_constant_says_where_it_comes_from() -> None:
    modules = sorted(ROOT.rglob("*.py"))
    missing = [f"{path.relative_to(ROOT)}:{line}" for path in modules for line in unexplained(path.read_text("utf-8"))]
    assert not missing
    assert sum(len(_constants(node)) for path in modules for node in ast.parse(path.read_text("utf-8")).body) > 400
