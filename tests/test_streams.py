"""What is told is shown and not obeyed, valid JSON in any locale, and lost without harm where a stream is closed."""

import io
import json
import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
import soundfile

from pulsefind.core.streams import Shown, one_line, shown, terminal
from pulsefind.demo import RATE_HZ, make_song

ORDERS = "\x1b[31mred\x9b2Jbell\x07\x7fback\rwards\u202eabc"


@pytest.fixture(scope="module")
def places(tmp_path_factory):
    """A song under a plain name, with a cache: made once."""
    folder = tmp_path_factory.mktemp("streams")
    song, _ = make_song()
    soundfile.write(folder / "song.wav", song[20 * RATE_HZ : 28 * RATE_HZ], RATE_HZ)
    return folder


def run(folder, *words, shell="", **environment):
    """A run in a process of its own: exit code, bytes on stdout and stderr."""
    told = {**os.environ, "PULSEFIND_CACHE": str(folder / "cache"), **environment}
    command = [sys.executable, "-m", "pulsefind", *words]
    if shell:
        command = ["sh", "-c", f'exec "$@" {shell}', "sh", *command]
    done = subprocess.run(command, capture_output=True, cwd=folder, env=told, check=False)
    return done.returncode, done.stdout, done.stderr


def test_orders_to_a_terminal_become_escapes_and_json_stays_the_same_text():
    out = io.StringIO()
    before, sys.stdout = sys.stdout, out
    try:
        with shown():
            print(ORDERS)
            print(json.dumps({"name": ORDERS}, ensure_ascii=False))
    finally:
        sys.stdout = before
    text, saved = out.getvalue().split("\n", 1)
    assert text.isprintable()
    assert text.startswith("\\u001b[31mred\\u009b2J")
    assert saved.rstrip("\n").isprintable()
    assert json.loads(saved) == {"name": ORDERS}


def test_letters_that_a_locale_lacks_are_escapes_of_json():
    """Beyond 16 bits JSON takes two (RFC 8259); half a surrogate pair, of a name that is no text, stays a half."""
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding="ascii")
    before, sys.stdout = sys.stdout, out
    text = "caf\xe9 \u2028 \U0001f941 \udcff"
    try:
        with shown():
            print(json.dumps(text, ensure_ascii=False))
    finally:
        sys.stdout = before
    out.flush()
    assert json.loads(raw.getvalue()) == text


def test_progress_is_an_order_and_obeyed(monkeypatch):
    out = io.StringIO()
    monkeypatch.setattr(sys, "stderr", out)
    with shown():
        print("\r\x1b[K", end="", file=terminal())
    assert out.getvalue() == "\r\x1b[K"


def test_a_message_is_one_line_of_words_that_can_be_taken_in():
    assert one_line("a\nb\u2028c  d") == "a b c d"
    assert one_line("x" * 5000) == "x" * 60 + "..." + "x" * 20
    assert one_line("n" * 255) == "n" * 255


NAME = os.fsdecode("s\xe9\U0001f941\x1b[31m\x9b2Jm".encode() + b"\xff\xe9.wav")
"""Accents, a letter of four bytes, orders to a terminal, and bytes that are no text."""


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_every_command_takes_and_tells_any_name(places):
    name = NAME
    (places / name).write_bytes((places / "song.wav").read_bytes())
    stem = name.removesuffix(".wav")
    commands = [
        *("find", "find --json", "find --out {}.json", "click --bars 1-2", "click --json --force --bars 1-2"),
        *("export --to midi,jams,beats,csv", "page", "sheet", "sections", "find --one-at 1.2 --keep", "hear"),
        "click --ladder --bars 1-2",
    ]
    for command in commands:
        verb, *rest = command.split()
        code, out, err = run(places, verb, name, *(word.format(stem) for word in rest))
        assert code == 0, (command, err)
        assert not any(order in out + err for order in (b"\x1b", b"\xc2\x9b", b"\x07"))
        if "--json" in command:
            json.loads(out)
    code, out, err = run(places, "take", "song.wav", name, "--json", "--history", f"{stem}.jsonl")
    assert code in (0, 2) and b"Traceback" not in err
    code, _, err = run(places, "find", f"missing {name}")
    assert code == 2 and err.count(b"\n") == 1 and b"\x1b" not in err


@pytest.mark.parametrize("words", [["find", "song.wav", "--json"], ["click", "song.wav", "--json", "--force"]])
def test_json_is_valid_where_the_locale_has_ascii_only(words, places):
    code, out, _ = run(places, *words, PYTHONUTF8="0", PYTHONCOERCECLOCALE="0", LC_ALL="C")
    assert code == 0 and out.isascii()
    json.loads(out)


@pytest.mark.skipif(sys.platform == "win32", reason="a shell of another kind")
@pytest.mark.parametrize("closed", ["2>&-", ">&-", "<&- >&- 2>&-"])
def test_a_closed_stream_does_no_harm(closed, places):
    code, _, err = run(places, "find", "song.wav", "--force", "--out", "out.json", shell=closed)
    assert (code, err) == (0, b"")
    code, _, err = run(places, "find", "nothing.wav", shell=closed)
    assert code == 2
    assert json.loads((places / "out.json").read_text())["schema"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("full", ["2>/dev/full", ">/dev/full 2>/dev/full"])
def test_messages_that_can_not_be_told_do_no_harm(full, places):
    """A log on a full disk: what was asked for is done all the same, and what was refused is refused."""
    code, out, _ = run(places, "find", "song.wav", "--force", "--out", "full.json", shell=full)
    assert code == (2 if full.startswith(">") else 0)
    assert bool(out) == (code == 0)
    assert json.loads((places / "full.json").read_text())["schema"]
    assert run(places, "find", "nothing.wav", shell=full)[0] == 2
    assert run(places, "find", "song.wav", "--nonsense", shell=full)[0] == 2


def test_what_a_decoder_prints_reaches_no_terminal(places):
    """Of a damaged mp3 its decoder says much, past Python; the file is read all the same, and the words are ours."""
    samples, rate_hz = soundfile.read(places / "song.wav")
    soundfile.write(places / "whole.mp3", samples, rate_hz, format="MP3", subtype="MPEG_LAYER_III")
    data = bytearray((places / "whole.mp3").read_bytes())
    data[20_000:20_300] = bytes(range(1, 151)) * 2
    (places / "damaged.mp3").write_bytes(data)
    reader = "import soundfile; soundfile.read('damaged.mp3')"
    plain = subprocess.run([sys.executable, "-c", reader], cwd=places, capture_output=True, check=False)
    assert b"Illegal" in plain.stderr, "the check itself: the decoder complains"
    code, _, err = run(places, "find", "damaged.mp3", "--no-cache")
    assert code in (0, 2) and all(line.startswith(b"pulsefind: ") for line in err.splitlines()), err


@pytest.mark.parametrize("home", [None, "/nonexistent"])
def test_without_a_home_the_answer_is_the_same(home, places):
    environment = {key: value for key, value in os.environ.items() if key not in ("HOME", "PULSEFIND_CACHE")}
    if home is not None:
        environment["HOME"] = home
    command = [sys.executable, "-m", "pulsefind", "find", "song.wav", "--json", "--no-cache"]
    done = subprocess.run(command, capture_output=True, cwd=places, env=environment, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert json.loads(done.stdout)["beats"]["time_s"]
    assert not (places / "~").exists()


def test_what_is_an_order_is_what_unicode_calls_one():
    """Control characters, and the signs of the Bidi_Control property (UAX 9); all other letters stay as they are."""
    marks = {"ARABIC LETTER MARK", "LEFT-TO-RIGHT MARK", "RIGHT-TO-LEFT MARK"}
    turning = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    for code in range(0x3000):
        letter, out = chr(code), io.StringIO()
        Shown(out).write(letter)
        ordered = unicodedata.category(letter) == "Cc" and letter not in "\n\t"
        ordered |= unicodedata.bidirectional(letter) in turning or unicodedata.name(letter, "") in marks
        assert out.getvalue() == (f"\\u{code:04x}" if ordered else letter), hex(code)


def test_bytes_can_not_be_written_past_what_is_shown():
    assert not hasattr(Shown(io.TextIOWrapper(io.BytesIO())), "buffer")


def test_words_are_cut_beyond_300_letters():
    assert one_line("n" * 300) == "n" * 300 and len(one_line("n" * 301)) == 83


def test_what_can_not_be_read_is_no_matter_of_what_is_shown():
    with shown(), pytest.raises(UnicodeDecodeError):
        b"\xff".decode("ascii", "pulsefind.escaped")


@pytest.mark.skipif(sys.platform == "win32", reason="file numbers of Unix")
@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_no_file_takes_the_number_of_a_closed_stream(closed, tmp_path):
    code = (
        "import os\nfrom pulsefind.core.streams import open_closed\nopen_closed()\n"
        "file = open('number', 'w')\nfile.write(str(file.fileno()))"
    )
    subprocess.run(["sh", "-c", f'exec "$@" {closed}', "sh", sys.executable, "-c", code], cwd=tmp_path, check=True)
    assert int((tmp_path / "number").read_text()) > 2


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="no list of open files")
def test_standard_error_is_as_before_after_the_block_and_no_file_stays_open():
    code = (
        "import os, sys\nfrom pulsefind.core.streams import shown\n"
        "before = len(os.listdir('/proc/self/fd'))\nprint('first', end=' ', file=sys.stderr)\n"
        "with shown():\n    os.write(2, b'a decoder')\n    print('ours', file=sys.stderr)\n"
        "os.write(2, b'after')\nsys.exit(len(os.listdir('/proc/self/fd')) - before)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"first ours\nafter")
