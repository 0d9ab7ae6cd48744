"""I check that progress shows on a terminal that somebody watches, and nowhere else."""

from __future__ import annotations

import io

import pytest

from stitchbed.cli.progress import shown


class Terminal(io.StringIO):
    """Standard error that is a terminal."""

    def isatty(self) -> bool:
        """It is."""
        return True


@pytest.mark.parametrize(("quiet", "watched"), [(True, True), (False, False), (True, False)])
def test_nothing_is_shown_when_asked_or_when_nobody_watches(
    quiet: bool, watched: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    error = Terminal() if watched else io.StringIO()
    monkeypatch.setattr("sys.stderr", error)
    with shown(quiet) as report:
        report("look", 1, 3)
    assert error.getvalue() == ""


def test_each_step_has_a_line_with_what_is_done_of_how_much(monkeypatch: pytest.MonkeyPatch) -> None:
    error = Terminal()
    monkeypatch.setattr("sys.stderr", error)
    monkeypatch.setenv("TERM", "xterm")
    with shown(quiet=False) as report:
        report("look", 1, 3)
        report("look", 3, 3)
        report("blend", 2, 8)
    last = error.getvalue().rsplit("look", 1)[1]
    assert "3/3" in last.split("blend")[0] and "2/8" in last.split("blend")[1]
