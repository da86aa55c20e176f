"""Do the tests notice? Small changes to the code, one at a time, each tried with the tests of its file.

`python -m eval mutants beats/grid --tests tests/test_grid.py --count 20 --seed 1` changes a comparison, an operator, a
number or a condition, or leaves out a call or a refusal, at seeded places of a file, in a copy of the project, and runs
its tests. A change that no test notices survives and is shown.
(To try every change, with tests of several seconds, would take days.)
"""

from __future__ import annotations

import ast
import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Self

import numpy as np

from eval import ROOT

LIMIT_S = 300
"""For the tests of code without any change (judged)."""

_SLOWER, _SLOWER_S = 5, 10
"""Tests that take this many times as long as without a change, and so many seconds more, notice it (judged: a busy
machine; what never ends would else take the whole limit).
"""

_COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}
_OPERATED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
}


@dataclass(frozen=True, slots=True)
class Change:
    """A place that can be changed: its line, what it becomes, and the act."""

    line: int
    act: Callable[[], None]


def changes_of(tree: ast.Module) -> list[Change]:
    """Every place in a module that can be changed."""
    found: list[Change] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare) and type(node.ops[0]) in _COMPARED:
            found.append(Change(node.lineno, partial(_set_comparison, node, _COMPARED[type(node.ops[0])]())))
        elif isinstance(node, ast.BinOp) and type(node.op) in _OPERATED:
            found.append(Change(node.lineno, partial(setattr, node, "op", _OPERATED[type(node.op)]())))
        elif isinstance(node, ast.Constant) and isinstance(node.value, (int, float)) and type(node.value) is not bool:
            found.append(Change(node.lineno, partial(setattr, node, "value", node.value + 1)))
        elif isinstance(node, ast.BoolOp):
            other = ast.And() if isinstance(node.op, ast.Or) else ast.Or()
            found.append(Change(node.lineno, partial(setattr, node, "op", other)))
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            found.append(Change(node.lineno, partial(setattr, node, "op", ast.UAdd())))
        for _, block in ast.iter_fields(node):
            if isinstance(block, list):
                found += [Change(one.lineno, partial(_leave_out, block, one)) for one in block if _can_go(one)]
    return found


def _can_go(node: object) -> bool:
    """Is it a statement that calls something for its effect, or that refuses?"""
    return isinstance(node, ast.Raise) or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Call))


def _leave_out(block: list[ast.stmt], statement: ast.stmt) -> None:
    block[block.index(statement)] = ast.Pass()


def _set_comparison(node: ast.Compare, comparison: ast.cmpop) -> None:
    node.ops[0] = comparison


def changed(source: str, number: int) -> tuple[int, str]:
    """The source with its change of that number: the line, and the new text."""
    tree = ast.parse(source)
    change = changes_of(tree)[number]
    change.act()
    return change.line, ast.unparse(tree)


_SERVER = """\
import contextlib, importlib, json, os, signal, sys
for name in sys.argv[1:]:
    with contextlib.suppress(ImportError):
        importlib.import_module(name)
import pytest
for line in sys.stdin:
    limit_s, words = json.loads(line)
    child = os.fork()
    if not child:
        signal.alarm(limit_s)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for number in (0, 1, 2):
            os.dup2(nowhere, number)
        os._exit(int(pytest.main(words)))
    print(os.waitpid(child, 0)[1], flush=True)
"""
"""Runs tests in copies of a process that has loaded what takes long, and none of pulsefind."""

_LOADED = ("numpy", "scipy.signal", "scipy.stats", "soundfile", "soxr", "pyebur128", "typer", "mido")


class Trying:
    """Tests of a copy of the project, asked again and again."""

    def __init__(self, project: Path, tests: Sequence[str]) -> None:
        """Load what takes long."""
        told = {**os.environ, "PYTHONPATH": str(project), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        command = [sys.executable, "-c", _SERVER, *_LOADED]
        pipe = subprocess.PIPE
        self._server = subprocess.Popen(command, cwd=project, env=told, stdin=pipe, stdout=pipe, text=True)
        self._words = ["-q", "-x", "-p", "no:cacheprovider", *tests]

    def __enter__(self) -> Self:
        """Ready."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the process that runs them."""
        self._server.communicate()

    def notice(self, limit_s: float = LIMIT_S) -> bool:
        """Do they fail, or take longer than that, with the code as it is now?"""
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.write(json.dumps([math.ceil(limit_s), self._words]) + "\n")
        self._server.stdin.flush()
        return int(self._server.stdout.readline()) != 0


def sample(project: Path, name: str, tests: Sequence[str], count: int, seed: int, first: int = 0) -> Iterator[str]:
    """Try changes of one file below pulsefind/, those from `first` up to `count` of a seed; for each of them, as soon
    as it was tried, what survived, or nothing if it was noticed.
    """
    path = project / "pulsefind" / f"{name}.py"
    source = path.read_text(encoding="utf-8")
    with Trying(project, tests) as trying:
        begun_s = time.monotonic()
        if trying.notice():
            raise RuntimeError(f"the tests of {name} fail without any change")
        limit_s = _SLOWER_S + _SLOWER * (time.monotonic() - begun_s)
        for turn, number in enumerate(np.random.default_rng(seed).permutation(n_changes(source))[first:count]):
            line, text = changed(source, int(number))
            path.write_text(text, encoding="utf-8")
            # Python knows compiled code by the second and size of its source, which two changes may share.
            os.utime(path, (turn, turn))
            yield "" if trying.notice(limit_s) else f"{name}.py:{line}: {_difference(source, text)}"
    path.write_text(source, encoding="utf-8")


def n_changes(source: str) -> int:
    """How many changes there are of a source."""
    return len(changes_of(ast.parse(source)))


def _difference(source: str, text: str) -> str:
    """The line that is another one, or the one that is left out."""
    before = ast.unparse(ast.parse(source)).splitlines()
    old, new = next(pair for pair in zip(before, text.splitlines(), strict=False) if pair[0] != pair[1])
    return f"without {old.strip()}" if new.strip() == "pass" else new.strip()


def lines(name: str, tests: Sequence[str], count: int, seed: int, first: int = 0) -> Iterator[str]:
    """Try some changes of a file in a copy of the project, and tell what came of it: what survived, then how many."""
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        project = Path(folder)
        for part in ("pulsefind", "tests", "eval"):
            shutil.copytree(ROOT / part, project / part, ignore=shutil.ignore_patterns("node_modules", "__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", project)
        total = n_changes((project / "pulsefind" / f"{name}.py").read_text(encoding="utf-8"))
        tried = noticed = 0
        for one in sample(project, name, tests, count, seed, first):
            tried, noticed = tried + 1, noticed + (not one)
            if one:
                yield f"    {one}"
        yield f"{name}: {tried} of {total} changes tried, {noticed} noticed"
