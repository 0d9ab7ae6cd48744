"""I check that marks lie on the piece where its findings say."""

from __future__ import annotations

from typing import Any

import pytest

from stitchbed.desk.job.pieces import Facts
from stitchbed.desk.look.marks import LEAST, marks_of

FACTS = Facts(1000, 2000)
NONE: dict[str, Any] = {"sharpness_across": [[None] * 3] * 3}


def marks(fault: str, numbers: dict[str, Any], across: Any = None) -> list[tuple[float, ...]]:
    """Rectangles of one finding."""
    row = {"numbers": {"sharpness_across": across} if across else NONE}
    found = marks_of([{"fault": fault, "level": "redo", "numbers": numbers}], row, FACTS)
    assert all(one["words"] == fault and one["level"] == "redo" for one in found)
    return [(one["x"], one["y"], one["width"], one["height"]) for one in found]


def test_a_lifted_side_is_marked_as_wide_as_it_reaches() -> None:
    said = {side: {"loss": 0.1, "reach_px": 100} for side in ("left", "right", "top", "bottom")}
    assert marks("lifted", said) == [
        (0, 0, 0.1, 1), (0, 0, 1, 0.05), (0.9, 0, 0.1, 1), (0, 0.95, 1, 0.05)
    ]  # fmt: skip
    assert marks("lifted", {"right": {"reach_px": 1}}) == [(1 - LEAST, 0, LEAST, 1)]
    assert marks("lifted", {"top": {"reach_px": 9e9}}) == [(0, 0, 1, 1)]


@pytest.mark.parametrize("fault", ["blurred", "soft side"])
def test_the_soft_ninths_are_marked(fault: str) -> None:
    across = [[1.0, 1.0, 0.5], [None, 1.0, 0.9], [0.69, 1.0, 1.0]]
    assert marks(fault, {}, across) == [(2 / 3, 0, 1 / 3, 1 / 3), (0, 2 / 3, 1 / 3, 1 / 3)]


def test_streaks_run_along_their_axis_and_jumps_across() -> None:
    columns = marks("streak", {"axis": "column", "px": [500, 0]})
    assert columns == [pytest.approx((0.5 - LEAST / 2, 0, LEAST, 1)), pytest.approx((-LEAST / 2, 0, LEAST, 1))]
    assert marks("streak", {"axis": "row", "px": [500]}) == [pytest.approx((0, 0.25 - LEAST / 2, 1, LEAST))]
    assert marks("jump", {"row": 1500, "px": 4}) == [pytest.approx((0, 0.75 - LEAST / 2, 1, LEAST))]
    assert marks("moved", {"row": 1500}) == [pytest.approx((0, 0.75 - LEAST / 2, 1, LEAST))]


def test_findings_without_a_place_have_no_mark() -> None:
    assert marks("noise", {"noise": 9.0}) == []
