"""The table of licences: complete, and put where it belongs."""

import pytest

from eval.robustness import licences
from eval.robustness.licences import END, START, table, with_table


def test_every_package_tells_a_licence():
    for name in ("numpy", "scipy", "librosa", "soundfile", "typer", "mido"):
        assert licences.licence(name) != "not told", name


def test_what_is_needed_is_followed_through(monkeypatch):
    needs = {"numpy": ["mido", "scipy; extra == 'more'", "no-such-package>=1"], "mido": ["numpy"]}
    monkeypatch.setattr(licences, "requires", needs.get)
    assert licences.needed(["numpy>=2"]) == ["mido", "numpy"]


def test_the_table_names_what_is_installed_and_its_licences():
    rows = licences.rows_of(licences.DOCUMENT.read_text(encoding="utf-8"))
    assert sorted(rows) == licences.needed(licences.declared()), "run `python -m eval licences --write`"
    for name, said in rows.items():
        told, binding = licences.families(licences.licence(name)), {"GPL", "LGPL", "MPL", "non-commercial"}
        assert licences.families(said) & told, name
        assert licences.families(said) & binding == told & binding, name


def test_the_table_stands_between_its_marks():
    text = with_table(f"before\n{START}\nold\n{END}\nafter\n", table(["mido"]))
    assert text.startswith(f"before\n{START}\n| package | licence |\n|---|---|\n| mido | MIT")
    assert text.endswith(f"{END}\nafter\n")
    assert "old" not in text
    with pytest.raises(ValueError, match="substring not found"):
        with_table("no marks", "")
