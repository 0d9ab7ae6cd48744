"""I check that words fit the screen they are written on, and that no control code goes where none is wanted."""

from __future__ import annotations

import io
import os

import pytest
from click.testing import CliRunner

from stitchbed.cli import stitchbed
from stitchbed.cli.progress import shown
from stitchbed.cli.screen import say, takes_codes, wrapped

LONG = "      press the sheet down on the glass with an even weight, keep the lid closed, and scan it again in one go"


class Terminal(io.StringIO):
    """A stream somebody watches."""

    def isatty(self) -> bool:
        """It is watched."""
        return True


@pytest.mark.parametrize("columns", [40, 57, 80, 200])
def test_lines_are_no_wider_than_the_screen_and_keep_words_and_indent(columns: int) -> None:
    text = f"6 pieces: ready to join.\n{LONG}\n\n  short"
    told = wrapped(text, columns)
    assert max(map(len, told.split("\n"))) <= columns
    assert told.split() == text.split()
    assert all(line.startswith("      ") for line in told.split("\n")[1:2])
    assert told.endswith("\n\n  short")


def test_names_of_files_and_options_stay_whole() -> None:
    name = "a/very/long/folder/that/holds/the/scans/of/the-harbor-map/piece-01.tif"
    assert name in wrapped(f"  {name} is the same as --allow-unreadable says", 40)


def test_what_nobody_watches_is_not_broken(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "50")
    for stream, lines in ((io.StringIO(), 1), (Terminal(), 3)):
        monkeypatch.setattr("sys.stdout", stream)
        say(LONG)
        assert len(stream.getvalue().splitlines()) == lines


@pytest.mark.parametrize("asked", [{"NO_COLOR": "1", "TERM": "xterm"}, {"TERM": "dumb"}])
def test_plain_screens_get_lines_without_control_codes(asked: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    error = Terminal()
    monkeypatch.setattr("sys.stderr", error)
    for name, value in asked.items():
        monkeypatch.setenv(name, value)
    assert not takes_codes()
    with shown(quiet=False) as report:
        for done in range(41):
            report("look", done, 40)
    lines = error.getvalue().splitlines()
    assert lines[0] == "look: 0 of 40"
    assert lines[-1] == "look: 40 of 40"
    assert len(lines) == 5
    assert "\x1b" not in error.getvalue()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert takes_codes()


@pytest.mark.parametrize(
    ("slip", "meant"), [("jion", "join"), ("Chek", "check"), ("plna", "plan"), ("recitfy", "rectify")]
)
def test_a_slip_of_the_keys_is_told_with_the_command_meant(slip: str, meant: str) -> None:
    said = CliRunner().invoke(stitchbed, [slip])
    assert said.exit_code == 2
    assert f"Did you mean {meant!r}?" in said.output


def test_a_word_like_no_command_brings_no_guess() -> None:
    said = CliRunner().invoke(stitchbed, ["zzz"])
    assert said.exit_code == 2
    assert "zzz" in said.output
    assert "mean" not in said.output


def test_a_pattern_that_fits_nothing_is_told_as_one() -> None:
    said = CliRunner().invoke(stitchbed, ["check", os.path.join("nowhere", "scan*.tiff")])
    assert "nowhere/scan*.tiff fits no file" in str(said.exception).replace(os.sep, "/")
