"""A table of the licences of everything that pulsefind needs, from what the installed packages say of themselves.

`python -m eval licences` prints it; `python -m eval licences FILE` puts it between the marks in that file.
"""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, metadata, requires

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

START, END = "<!-- licences -->", "<!-- end of licences -->"
_LONGEST = 60


def needed(name: str) -> list[str]:
    """Names of all packages that a package needs at run time, in order, itself left out."""
    found: set[str] = set()
    waiting = [name]
    while waiting:
        for text in requires(waiting.pop()) or []:
            requirement = Requirement(text)
            name = canonicalize_name(requirement.name)
            wanted = requirement.marker is None or requirement.marker.evaluate({"extra": ""})
            if wanted and name not in found:
                try:
                    metadata(name)
                except PackageNotFoundError:
                    continue
                found.add(name)
                waiting.append(name)
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


def with_table(text: str, rows: str) -> str:
    """A document with the table between its marks.

    Raises
    ------
    ValueError
        if the marks are missing.
    """
    first, last = text.index(START) + len(START), text.index(END)
    return f"{text[:first]}\n{rows}{text[last:]}"
