"""The sampler of changes: it changes what it says, and its changes are noticed or not."""

import ast
import time

from eval.robustness import mutants
from eval.robustness.mutants import changed, changes_of, sample

SOURCE = "def f(a, b):\n    return a + b if a < 3 and not b else a\n"


def test_each_change_changes_one_thing():
    texts = {changed(SOURCE, k)[1] for k in range(len(changes_of(ast.parse(SOURCE))))}
    assert texts == {
        "def f(a, b):\n    return a - b if a < 3 and (not b) else a",
        "def f(a, b):\n    return a + b if a <= 3 and (not b) else a",
        "def f(a, b):\n    return a + b if a < 4 and (not b) else a",
        "def f(a, b):\n    return a + b if a < 3 or not b else a",
        "def f(a, b):\n    return a + b if a < 3 and +b else a",
    }


def test_calls_and_refusals_are_left_out():
    source = "def f(a):\n    if a:\n        raise ValueError(a)\n    g(a)\n    return g(a)\n"
    texts = {changed(source, k)[1] for k in range(len(changes_of(ast.parse(source))))}
    assert texts == {
        "def f(a):\n    if a:\n        pass\n    g(a)\n    return g(a)",
        "def f(a):\n    if a:\n        raise ValueError(a)\n    pass\n    return g(a)",
    }


def test_what_survives_is_told_by_its_line(tmp_path):
    source = "def f(a):\n    print(a)\n    return a + 1\n"
    told = sorted(mutants._difference(source, changed(source, k)[1]) for k in range(len(changes_of(ast.parse(source)))))
    assert told == ["return a + 2", "return a - 1", "without print(a)"]


def test_a_change_without_a_test_survives(tmp_path):
    for folder in ("pulsefind", "tests"):
        (tmp_path / folder).mkdir()
    (tmp_path / "pulsefind" / "__init__.py").touch()
    path = tmp_path / "pulsefind" / "one.py"
    path.write_text("def f(a):\n    return a + 1\n\n\ndef g(a):\n    return a * 2\n")
    (tmp_path / "tests" / "test_one.py").write_text(
        "from pulsefind.one import f\n\n\ndef test_f():\n    assert f(1) == 2\n"
    )
    survived = sample(tmp_path, "one", ["tests/test_one.py"], 10, 1)
    assert sorted(survived) == ["", "", "one.py:6: return a * 3", "one.py:6: return a / 2"]
    assert path.read_text().endswith("return a * 2\n")


def test_a_change_that_never_ends_is_noticed_soon(tmp_path, monkeypatch):
    monkeypatch.setattr(mutants, "_SLOWER", 2)
    monkeypatch.setattr(mutants, "_SLOWER_S", 1)
    for folder in ("pulsefind", "tests"):
        (tmp_path / folder).mkdir()
    (tmp_path / "pulsefind" / "__init__.py").touch()
    (tmp_path / "pulsefind" / "one.py").write_text("def f(a):\n    while a:\n        a = a - 1\n    return 'done'\n")
    (tmp_path / "tests" / "test_one.py").write_text(
        "from pulsefind.one import f\n\n\ndef test_f():\n    assert f(2) == 'done'\n"
    )
    begun_s = time.monotonic()
    # One less becomes one more; by two it still ends.
    assert sorted(sample(tmp_path, "one", ["tests/test_one.py"], 10, 1)) == ["", "one.py:3: a = a - 2"]
    assert time.monotonic() - begun_s < mutants.LIMIT_S / 3
