"""I check the error told for sheets that moved in mid-scan."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.inspection.checks.moved import Moved
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.pipelines.scanning.moving import error_of, with_error

HIGH, WIDE, STEP = 500, 400, 400


def _places(columns: int) -> tuple[list[Placement], list[tuple[int, int]]]:
    """Three rows of pieces, and those beside each other."""
    at = [(row, col) for row in range(3) for col in range(columns)]
    places = [
        Placement(f"p{row}{col}", (HIGH, WIDE), np.array([[1.0, 0, 320 * col], [0, 1, STEP * row], [0, 0, 1]]))
        for row, col in at
    ]
    near = [(i, j) for j in range(len(at)) for i in range(j) if np.abs(np.subtract(at[i], at[j])).sum() == 1]
    return places, near


def test_what_hangs_on_a_turned_part_is_off_with_it() -> None:
    places, pairs = _places(1)
    turn = np.deg2rad(0.5)
    off = error_of([Moved(1, 250.0, turn, 0.0)], places, pairs)
    # a turn of half of 1,300 px against the other half leaves, a turn of the whole apart, about a tenth of its length
    assert 0.08 * 1300 * turn < off < 0.3 * 1300 * turn
    assert error_of([Moved(1, 250.0, 2 * turn, 0.0)], places, pairs) == pytest.approx(2 * off)
    assert error_of([], places, pairs) == 0


def test_what_other_pieces_hold_is_held() -> None:
    column, grid = _places(1), _places(2)
    slip = Moved(1, 250.0, 0.0, 10.0)
    assert error_of([slip], *column) > 5
    within = error_of([Moved(2, 250.0, 0.0, 10.0)], *grid)  # the same piece beside others
    turned = Moved(1, 250.0, 0.01, 0.0), Moved(2, 250.0, 0.01, 0.0)
    assert error_of(turned[1:], *grid) < error_of(turned[:1], *column)
    assert within > 5  # the part itself stays off
    assert error_of([Moved(2, HIGH, 0.0, 10.0)], *column) == pytest.approx(0)  # nothing lies beyond


def test_the_error_told_grows_by_it() -> None:
    told = {"rms_px": 0.1, "error_px": 3.0, "error_px_axes_known": 0.0, "error_mm": 0.3}
    assert with_error(told, 4.0) == {"rms_px": 0.1, "error_px": 5.0, "error_px_axes_known": 4.0, "error_mm": 0.5}
    assert with_error(told, 0.0) == told
    assert with_error({"rms_px": None, "error_px": None}, 4.0) == {"rms_px": None, "error_px": None}
