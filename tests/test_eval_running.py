"""Runs: stored results, resuming after kill -9, other backends, failures, and the command line."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import eval.scoring.running
from eval.cli import main
from eval.records import Answer, Cost
from eval.scoring.running import run_tracks, score_track
from eval.scoring.systems import SYSTEMS, System, code_version, run_system, systems_named
from eval.scoring.table import MEASURED, table
from eval.sets.loaders import load_set
from eval.sets.synthetic import PATTERNS, write_set
from eval.store import clear_parts, digest, read_json, whole_file, write_json
from pulsefind.core.errors import FormatError, OutputError

ROOT = Path(__file__).parent.parent
LIBROSA = SYSTEMS["librosa"]


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sets")
    write_set(folder / "synthetic", 8.0)
    return folder


@pytest.fixture
def counted(monkeypatch):
    """Replace the process that answers by one that gives the annotation back 10 ms late, and count the calls."""
    calls = []

    def answer(system, track):
        calls.append((system.name, track.name))
        return Answer(track.reference.beat_s + 0.01, track.reference.count), Cost(1.0, 1.0, 100.0)

    monkeypatch.setattr(eval.scoring.running, "run_system", answer)
    return calls


def scores_of(text: str) -> str:
    """The table without what differs from run to run."""
    assert text.count(MEASURED) == 1
    return text.split(MEASURED, maxsplit=1)[0]


def environment(wait_s: float = 0.0) -> dict[str, str]:
    paths = [str(ROOT), str(ROOT / "tests")]
    return os.environ | {"PYTHONPATH": os.pathsep.join(paths), "EVAL_FAST_WAIT_S": str(wait_s)}


def command(root: Path, out: Path, *more: str) -> list[str]:
    program = str(ROOT / "tests" / "eval_fast_system.py")
    return [
        sys.executable,
        program,
        "run",
        "synthetic",
        "--root",
        str(root),
        "--systems",
        "fast",
        "--out",
        str(out),
        *more,
    ]


def complete(root: Path, out: Path, *more: str) -> str:
    """Run to the end and return the table's scores."""
    subprocess.run(command(root, out, *more), cwd=ROOT, env=environment(), check=True, capture_output=True)
    return scores_of((out / "table.md").read_text())


def answers(out: Path) -> int:
    return len(list((out / "answers").glob("*.json")))


def kill_after(n: int, root: Path, out: Path) -> None:
    """Start a run and kill it as soon as there are n stored answers; what is there must be whole."""
    process = subprocess.Popen(command(root, out), cwd=ROOT, env=environment(0.5), stdout=subprocess.DEVNULL)
    while answers(out) < n and process.poll() is None:
        time.sleep(0.02)
    assert process.poll() is None, "the run ended before it could be killed"
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    for path in out.rglob("*.json"):
        json.loads(path.read_text())


def test_a_run_killed_twice_and_resumed_gives_the_same_table(root, tmp_path):
    whole, broken = tmp_path / "whole", tmp_path / "broken"
    kill_after(1, root, broken)
    first = {path.name: path.stat().st_mtime_ns for path in (broken / "answers").glob("*.json")}
    kill_after(3, root, broken)
    assert answers(broken) < len(PATTERNS)
    assert complete(root, broken) == complete(root, whole)
    # What was there before the first kill was used, not made again.
    for name, made in first.items():
        assert (broken / "answers" / name).stat().st_mtime_ns == made


def workers_of(process: subprocess.Popen) -> list[str]:
    """The processes of systems, as soon as a run has started one."""
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    if not children.exists():
        process.kill()
        pytest.skip("this system doesn't list the children of a process")
    workers: list[str] = []
    while not workers and process.poll() is None:
        workers = [
            p for p in children.read_text().split() if b"eval.scoring.worker" in Path(f"/proc/{p}/cmdline").read_bytes()
        ]
        time.sleep(0.02)
    return workers


def test_the_process_of_a_system_ends_with_the_run(root, tmp_path):
    process = subprocess.Popen(command(root, tmp_path), cwd=ROOT, env=environment(60.0), stdout=subprocess.DEVNULL)
    workers = workers_of(process)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    for _ in range(200):
        alive = [p for p in workers if Path(f"/proc/{p}/cmdline").exists() and Path(f"/proc/{p}/cmdline").read_bytes()]
        if not alive:
            return
        time.sleep(0.05)
    raise AssertionError(f"still alive: {alive}")


def test_a_run_that_is_told_to_stop_says_so_and_leaves_no_process(root, tmp_path):
    process = subprocess.Popen(
        command(root, tmp_path), cwd=ROOT, env=environment(60.0), stderr=subprocess.PIPE, start_new_session=True
    )
    assert workers_of(process)
    process.send_signal(signal.SIGTERM)
    assert process.communicate(timeout=60)[1] == b"eval: stopped\n"
    assert process.returncode == 128 + signal.SIGTERM
    with pytest.raises(ProcessLookupError):
        os.killpg(process.pid, 0)


def test_results_are_stored_and_found_again(root, tmp_path, counted):
    tracks = load_set("synthetic", root)
    before = run_tracks(tracks, [LIBROSA], tmp_path, 1, "loky")
    assert len(counted) == len(tracks)
    after = run_tracks(tracks, [LIBROSA], tmp_path, 1, "loky")
    assert len(counted) == len(tracks)
    assert before["tracks"] == after["tracks"]


def test_changed_audio_is_answered_anew(tmp_path, counted):
    write_set(tmp_path / "synthetic", 8.0)
    (track, *_) = load_set("synthetic", tmp_path)
    score_track(track, [LIBROSA], tmp_path / "out", 1)
    track.audio.write_bytes(track.audio.read_bytes() + b"\0")
    score_track(track, [LIBROSA], tmp_path / "out", 1)
    assert len(counted) == 2


def test_changed_code_is_answered_anew(root, tmp_path, counted, monkeypatch):
    (track, *_) = load_set("synthetic", root)
    score_track(track, [LIBROSA], tmp_path, 1)
    monkeypatch.setattr(eval.scoring.running, "code_version", lambda system: "another")
    score_track(track, [LIBROSA], tmp_path, 1)
    assert len(counted) == 2


def test_a_changed_annotation_is_scored_anew_but_not_answered_anew(tmp_path, counted):
    write_set(tmp_path / "synthetic", 8.0)
    (track, *_) = load_set("synthetic", tmp_path)
    before = score_track(track, [LIBROSA], tmp_path / "out", 1)
    beats = tmp_path / "synthetic" / "beats" / f"{track.name}.beats"
    beats.write_text("".join(beats.read_text().splitlines(keepends=True)[::2]))
    (track, *_) = load_set("synthetic", tmp_path)
    after = score_track(track, [LIBROSA], tmp_path / "out", 1)
    assert len(counted) == 1
    values = [entry["systems"]["librosa"]["values"]["beat_f_70"] for entry in (before, after)]
    assert values[0] == 1.0 and values[1] == pytest.approx(2 / 3, abs=0.02)


def test_code_version_looks_at_what_runs_only(tmp_path, monkeypatch):
    monkeypatch.setattr("eval.scoring.systems.ROOT", tmp_path)
    versions = []
    for text in ('"""Doc."""\nx = 1\n', '"""Other."""\n# a comment\nx = 1\n', "x = 2\n"):
        (tmp_path / "code.py").write_text(text)
        code_version.cache_clear()
        versions.append(code_version(System("s", "m", ("code.py",), ())))
    code_version.cache_clear()
    assert versions[0] == versions[1] != versions[2]


def test_a_failure_is_told_scored_as_nothing_and_not_stored(root, tmp_path, monkeypatch):
    def failing(system, track):
        return Answer(np.zeros(0), None, error="AudioError: no sound"), Cost(1.0, 1.0, 1.0)

    monkeypatch.setattr(eval.scoring.running, "run_system", failing)
    tracks = load_set("synthetic", root)[:1]
    result = run_tracks(tracks, [LIBROSA], tmp_path, 1, "loky")
    assert result["tracks"][0]["systems"]["librosa"]["values"]["beat_f_70"] == 0.0
    assert "librosa gave no answer on offbeat: AudioError: no sound" in table(result)
    assert answers(tmp_path) == 0


def test_a_system_that_raises_or_dies_gives_an_error(root, tmp_path, monkeypatch):
    (track, *_) = load_set("synthetic", root)
    answer, _ = run_system(System("absent", "eval.no_such_module", (), ()), track)
    assert "ModuleNotFoundError" in answer.error and len(answer.beat_s) == 0
    # A module that ends the process while it is imported, as a crash would.
    (tmp_path / "eval_dying_system.py").write_text(
        "import os, sys\nprint('oh', file=sys.stderr)\nsys.stderr.flush()\nos._exit(7)\n"
    )
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    answer, cost = run_system(System("dying", "eval_dying_system", (), ()), track)
    assert answer.error == "the process ended with code 7 and no answer; its last words: oh"
    assert len(answer.beat_s) == 0 and cost.wall_s > 0


def test_a_process_is_measured(root):
    (track, *_) = load_set("synthetic", root)
    answer, cost = run_system(LIBROSA, track)
    assert answer.error is None and len(answer.beat_s) > 4
    assert cost.cpu_s > 0 and cost.wall_s > 0
    # An interpreter with numpy and librosa holds more than 50 MiB and, for 8 s of audio, less than 2 GiB.
    assert 50 < cost.peak_mib < 2048


def test_naive_guides_are_asked_only_where_drums_are_annotated(tmp_path, counted):
    write_set(tmp_path / "synthetic", 8.0)
    (tmp_path / "synthetic" / "drums" / "rock.txt").unlink()
    result = run_tracks(
        load_set("synthetic", tmp_path), systems_named("librosa,naive guides"), tmp_path / "out", 1, "loky"
    )
    asked = {entry["name"] for entry in result["tracks"] if "naive guides" in entry["systems"]}
    assert asked == {"offbeat", "shuffle", "waltz"}


def test_two_jobs_give_the_same_scores_as_one(root, tmp_path):
    assert complete(root, tmp_path / "two", "--jobs", "2") == complete(root, tmp_path / "one")


def test_a_local_cluster_of_two_processes_gives_the_same_scores(root, tmp_path):
    pytest.importorskip("distributed", reason="Dask isn't installed (extra `cluster`)")
    cluster = complete(root, tmp_path / "cluster", "--backend", "dask", "--jobs", "2")
    assert cluster == complete(root, tmp_path / "one")


def test_an_unknown_backend_is_named(root, tmp_path):
    with pytest.raises(FormatError, match="joblib knows no such backend"):
        run_tracks(load_set("synthetic", root), [LIBROSA], tmp_path, 1, "abacus")


# The store


def test_a_part_never_takes_the_files_name(tmp_path):
    path = tmp_path / "result.json"
    write_json(path, {"a": 1})
    with pytest.raises(RuntimeError), whole_file(path) as part:
        part.write_text("half")
        raise RuntimeError
    assert read_json(path) == {"a": 1}
    assert list(tmp_path.iterdir()) == [path]


def test_a_damaged_result_counts_as_none(tmp_path):
    (tmp_path / "x.json").write_text('{"a": ')
    assert read_json(tmp_path / "x.json") is None
    assert read_json(tmp_path / "absent.json") is None


def test_what_cannot_be_written_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="can't be written"):
        write_json(tmp_path / "file" / "x.json", {})


def test_only_old_parts_are_cleared(tmp_path):
    old, new = tmp_path / ".a.json.1.part", tmp_path / ".b.json.2.part"
    old.write_text("")
    new.write_text("")
    os.utime(old, (time.time() - 7200,) * 2)
    clear_parts(tmp_path)
    assert list(tmp_path.iterdir()) == [new]


def test_digests_tell_parts_apart():
    assert digest("ab", "c") != digest("a", "bc")


# The command line


def run_main(monkeypatch, *arguments: str) -> int:
    monkeypatch.setattr(sys, "argv", ["eval", *arguments])
    with pytest.raises(SystemExit) as ended:
        main()
    assert isinstance(ended.value.code, int)
    return ended.value.code


BAD_COMMANDS = {
    "missing set": (["run", "ballroom"], "no such folder; get ISMIR 2004"),
    "unknown set": (["run", "nothing"], "known sets:"),
    "unknown system": (["run", "synthetic", "--systems", "oracle"], "no system is called 'oracle'"),
    "no system": (["run", "synthetic", "--systems", ","], "no system is named"),
    "unknown variant": (["run", "synthetic", "--variant", "louder"], "no variant is called 'louder'"),
}


@pytest.mark.parametrize("fault", BAD_COMMANDS)
def test_bad_input_is_one_line_and_exit_code_2(root, tmp_path, monkeypatch, capsys, fault):
    arguments, message = BAD_COMMANDS[fault]
    code = run_main(monkeypatch, *arguments, "--root", str(root), "--out", str(tmp_path))
    captured = capsys.readouterr()
    assert code == 2 and captured.out == ""
    assert captured.err.startswith("eval: ") and captured.err.count("\n") == 1 and message in captured.err


def test_a_malformed_row_is_one_line_and_exit_code_2(tmp_path, monkeypatch, capsys):
    write_set(tmp_path / "synthetic", 8.0)
    beats = tmp_path / "synthetic" / "beats" / "rock.beats"
    beats.write_text(beats.read_text() + "soon\t1\n")
    code = run_main(monkeypatch, "run", "synthetic", "--root", str(tmp_path), "--out", str(tmp_path / "out"))
    line = len(beats.read_text().splitlines())
    assert code == 2
    assert f"{beats}, line {line}: the time 'soon' is not a number" in capsys.readouterr().err


def test_run_writes_result_tracks_and_table(root, tmp_path, monkeypatch, capsys, counted):
    arguments = ["run", "synthetic", "--root", str(root), "--systems", "madmom,librosa", "--out", str(tmp_path)]
    assert run_main(monkeypatch, *arguments) == 0
    printed = capsys.readouterr().out
    assert printed == (tmp_path / "table.md").read_text()
    assert len(list((tmp_path / "tracks" / "synthetic").glob("*.json"))) == len(PATTERNS)
    assert run_main(monkeypatch, "show", str(tmp_path / "result.json")) == 0
    assert capsys.readouterr().out == printed


def test_show_refuses_what_is_no_result(tmp_path, monkeypatch, capsys):
    (tmp_path / "x.json").write_text("[]")
    assert run_main(monkeypatch, "show", str(tmp_path / "x.json")) == 2
    assert "isn't a result" in capsys.readouterr().err


def test_sets_lists_every_set(monkeypatch, capsys):
    assert run_main(monkeypatch, "sets") == 0
    assert len(capsys.readouterr().out.splitlines()) == 31


def test_eval_uses_only_public_names_of_pulsefind():
    for path in (ROOT / "eval").glob("*.py"):
        for line in path.read_text().splitlines():
            if line.startswith(("from pulsefind", "import pulsefind")):
                names = [name.strip(" ()") for name in line.split("import")[1].split(",")]
                private = [name for name in names if name.startswith("_") and name != "__version__"]
                assert not private, (path, line)
    for path in (ROOT / "pulsefind").rglob("*.py"):
        assert "import eval" not in path.read_text() and "from eval" not in path.read_text(), path
