"""A table of the licences of everything that pulsefind needs, from the installed packages' own metadata.

`python -m eval licences` prints it; with --write it goes between the marks in LICENCES.md, which a test compares.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from importlib.metadata import PackageNotFoundError, metadata, requires

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from eval import ROOT

START, END = "<!-- licences -->", "<!-- end of licences -->"
_LONGEST = 60


FAMILIES = ("MIT", "BSD", "Apache", "MPL", "ISC", "LGPL", "GPL", "PSF", "CC0", "Zlib", "Unlicense", "non-commercial")
"""Families of licences by parts of their names, since packages reword what they say from time to time."""

DOCUMENT = ROOT / "eval" / "robustness" / "LICENCES.md"


def declared() -> list[str]:
    """What pyproject.toml says that pulsefind needs at run time, the room included."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return [str(requirement) for requirement in (*project["dependencies"], *project["optional-dependencies"]["room"])]


def needed(requirements: Iterable[str]) -> list[str]:
    """Names of all packages that requirements lead to at run time, in order."""
    found: set[str] = set()
    waiting = [list(requirements)]
    while waiting:
        for text in waiting.pop():
            requirement = Requirement(text)
            name = canonicalize_name(requirement.name)
            wanted = requirement.marker is None or requirement.marker.evaluate({"extra": ""})
            if wanted and name not in found:
                try:
                    metadata(name)
                except PackageNotFoundError:
                    continue
                found.add(name)
                waiting.append(requires(name) or [])
    return sorted(found)


def licence(name: str) -> str:
    """What a package says about its licence: the expression, else its classifiers, else the first line of its text."""
    if expression := _told(name, "License-Expression"):
        return expression[0]
    classifiers = [line for line in _told(name, "Classifier") if line.startswith("License ::")]
    if classifiers:
        return ", ".join(line.split(" :: ")[-1] for line in classifiers)
    text = [line for whole in _told(name, "License") for line in whole.strip().splitlines()]
    return (text or ["not told"])[0][:_LONGEST]


def _told(name: str, field: str) -> list[str]:
    return [str(value) for value in metadata(name).get_all(field) or []]


def table(names: list[str]) -> str:
    """The table in Markdown."""
    rows = [f"| {name} | {licence(name)} |" for name in names]
    return "\n".join(["| package | licence |", "|---|---|", *rows]) + "\n"


def families(text: str) -> set[str]:
    """The families of licences that a text names."""
    text = text.replace("Mozilla Public License", "MPL")
    return {family for family in FAMILIES if re.search(rf"\b{family}", text)}


def rows_of(document: str) -> dict[str, str]:
    """Package to licence, from the table between a document's marks."""
    inside = document[document.index(START) : document.index(END)]
    rows = [line.strip("| ").split(" | ") for line in inside.splitlines() if line.startswith("| ")][1:]
    return {row[0]: row[1] for row in rows}


def with_table(text: str, rows: str) -> str:
    """A document with the table between its marks.

    Raises
    ------
    ValueError
        if the marks are missing.
    """
    first, last = text.index(START) + len(START), text.index(END)
    return f"{text[:first]}\n{rows}{text[last:]}"
