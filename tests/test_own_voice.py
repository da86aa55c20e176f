"""report/OWN_VOICE.md lists every command, option, mark and word of the plan with its origin; none is missing."""

import re
from pathlib import Path

import typer.main
from typer.core import TyperGroup

from pulsefind.cli.app import app
from pulsefind.core.records import Sound
from pulsefind.guides.called import mark_of
from pulsefind.report.doubts import THE_BEAT, THE_METER, THE_ONE, THE_TEMPO
from pulsefind.report.feel import CHANGES, HARD_SWING, HOLDS, SWING_WORDS, WANDERS
from pulsefind.report.handed import PRESETS
from pulsefind.report.planned import ALONE, BAND, GUIDE
from pulsefind.report.terminal import report

ORIGINS = {"trade", "open standard", "ours", "command line"}


def listed():
    """Names and origins of the table; a row may have several names, in code marks."""
    text = (Path(__file__).parent.parent / "pulsefind" / "report" / "OWN_VOICE.md").read_text(encoding="utf-8")
    rows = [row.split(" | ") for row in text.splitlines() if row.startswith("| ") and not row.startswith("| name")]
    return {name: row[2].rstrip(" |") for row in rows for name in re.findall(r"`([^`]+)`", row[0])}


def commands_and_options():
    group = typer.main.get_command(app)
    assert isinstance(group, TyperGroup)
    for name, command in group.commands.items():
        yield name
        yield from (option for one in command.params for option in (*one.opts, *one.secondary_opts) if "-" in option)


def test_every_command_and_option_is_listed_with_its_origin():
    table = listed()
    assert sorted(set(commands_and_options()) - table.keys()) == []
    assert set(table.values()) <= ORIGINS


def test_nothing_is_listed_that_is_gone():
    known = set(commands_and_options()) | {"--help", "--version"}
    assert sorted(name for name in listed() if name.startswith("-") and name not in known) == []


def test_marks_and_words_are_listed():
    marks = {mark_of(Sound(500.0, ms, noisy)).shape for ms in (50.0, 500.0) for noisy in (0.1, 0.9)}
    words = {THE_BEAT, THE_METER, THE_ONE, THE_TEMPO, HOLDS, WANDERS, CHANGES, HARD_SWING, GUIDE, BAND, ALONE}
    words |= {word for _, word in SWING_WORDS} | {on for on, _ in PRESETS if on not in ("none", "1", "&")}
    assert marks | words <= listed().keys()


def test_the_report_s_fields_are_listed(demo_analysis):
    fields = {line[:10].strip() for line in report(demo_analysis).splitlines()[2:]} - {""}
    assert fields <= listed().keys()
