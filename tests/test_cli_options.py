"""Records of options: Typer sees their fields, a command sees the record."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import pytest
import typer
from typer.testing import CliRunner

from pulsefind.cli.options import Hints, Without, settings_from, spread
from pulsefind.core.errors import HintError


@dataclass(frozen=True)
class Levels:
    click_db: Annotated[float, typer.Option("--click-db", help="How loud.")] = 0.0
    muted: Annotated[bool, typer.Option("--muted")] = False


@pytest.fixture
def told():
    return []


@pytest.fixture
def app(told):
    def play(
        track: Annotated[Path, typer.Argument()], levels: Annotated[Levels, Without(("muted",))], loud: bool = False
    ) -> None:
        """Play it."""
        told.append((track, levels, loud))

    made = typer.Typer(rich_markup_mode=None)
    made.command()(spread(play))
    return made


def test_fields_are_options_and_the_command_gets_the_record(app, told):
    result = CliRunner().invoke(app, ["song.flac", "--click-db", "-3", "--loud"])
    assert result.exit_code == 0, result.output
    assert told == [(Path("song.flac"), Levels(click_db=-3.0), True)]


def test_defaults_are_those_of_the_record(app, told):
    CliRunner().invoke(app, ["song.flac"])
    assert told == [(Path("song.flac"), Levels(), False)]


def test_a_field_left_out_is_no_option(app, told):
    result = CliRunner().invoke(app, ["song.flac", "--muted"])
    assert result.exit_code == 2
    assert told == []


def test_hints_as_typed_become_settings():
    settings = settings_from(Hints(meter="7/8", bpm="80:100", one_at="1:02.5", part="0:30-", no_cache=True))
    assert (settings.meter, settings.bpm_low, settings.bpm_high) == ((7, 8), 80.0, 100.0)
    assert (settings.one_at_s, settings.start_s, settings.end_s) == (62.5, 30.0, None)
    assert not settings.use_cache
    with pytest.raises(HintError, match="--meter 5/3"):
        settings_from(Hints(meter="5/3"))
