"""I check the line of stops: that it covers the steps of a job, and how each says it stands."""

from __future__ import annotations

from typing import Any

import pytest

from stitchbed.desk.stops import BY_NAME, DONE, LOOK, NOT_BEGUN, STOPS, of_pieces, of_placing, of_steps
from stitchbed.jobs.steps import STEPS

CLEAN = BY_NAME["clean"]


def row(state: str = "done", *warnings: str) -> dict[str, Any]:
    """How one step stands."""
    return {"step": "clean", "state": state, "warnings": list(warnings)}


def record(*verdicts: str, whole: str = "good") -> dict[str, Any]:
    """A check of so many pieces."""
    return {"pieces": [{"verdict": one} for one in verdicts], "set": {"verdict": whole}}


def test_every_step_of_a_job_has_its_stop_in_order() -> None:
    listed = [step for stop in STOPS for step in stop.steps]
    assert listed == [step for step in STEPS if step in listed]
    assert set(STEPS) - set(listed) == {"check"} & set(STEPS)  # the pieces are looked at without being asked
    assert len(BY_NAME) == len(STOPS)


@pytest.mark.parametrize(
    ("rows", "state", "words", "stale"),
    [
        ([], NOT_BEGUN, "Not part of this job", False),
        ([row("not begun")], NOT_BEGUN, "Waits to be done", False),
        ([row(), row("not begun")], NOT_BEGUN, "Waits to be done", False),
        ([row("changed"), row()], NOT_BEGUN, "Something changed", True),
        ([row("changed", "a note")], NOT_BEGUN, "Something changed", True),
        ([row("done", "one")], LOOK, "with 1 note to read", False),
        ([row("done", "one", "two"), row("done", "three")], LOOK, "with 3 notes to read", False),
        ([row(), row("changed by hand, kept")], DONE, "Retouched by hand", False),
        ([row()], DONE, "Of the job as it is now", False),
    ],
)
def test_how_steps_stand(rows: list, state: str, words: str, stale: bool) -> None:
    found = of_steps(CLEAN, rows)
    assert found.stop is CLEAN and (found.state, found.stale) == (state, stale) and words in found.words


@pytest.mark.parametrize(
    ("count", "checked", "fresh", "state", "words"),
    [
        (0, None, True, NOT_BEGUN, "No piece yet"),
        (1, None, True, NOT_BEGUN, "1 piece, not looked at"),
        (2, record("good", "good"), False, NOT_BEGUN, "2 pieces, not looked at"),
        (3, record("good"), True, LOOK, "2 of 3 files were left out"),
        (2, record("redo"), True, LOOK, "1 of 2 files was left out"),
        (2, record("redo", "usable"), True, LOOK, "1 should be scanned again"),
        (2, record("good", "good", whole="redo"), True, LOOK, "1 should be scanned again"),
        (2, record("usable", "good"), True, DONE, "All can be used"),
        (2, record("good", "good"), True, DONE, "All are good"),
    ],
)
def test_how_pieces_stand(count: int, checked: Any, fresh: bool, state: str, words: str) -> None:
    found = of_pieces(count, checked, fresh)
    assert found.state == state and words in found.words


@pytest.mark.parametrize(
    ("told", "fresh", "state", "words"),
    [
        (None, True, NOT_BEGUN, "not placed yet"),
        ({"alone": [], "placements": [1, 2, 3]}, False, NOT_BEGUN, "not placed yet"),
        ({"alone": ["c.tif", "d.tif"], "placements": [1]}, True, LOOK, "No place found for c.tif, d.tif."),
        ({"alone": [], "placements": [1, 2]}, True, LOOK, "2 of 3 pieces have a place"),
        ({"alone": [], "placements": [1, 2, 3]}, True, DONE, "Every piece has its place"),
    ],
)
def test_how_placing_stands(told: Any, fresh: bool, state: str, words: str) -> None:
    found = of_placing(3, told, fresh)
    assert found.state == state and words in found.words


def test_what_was_said_since_is_to_be_placed_again() -> None:
    found = of_placing(2, {"alone": ["x"], "placements": [1, 2]}, True, since=True)
    assert (found.state, found.stale) == (NOT_BEGUN, True) and "placed again" in found.words
