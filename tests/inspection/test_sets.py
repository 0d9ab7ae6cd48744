"""I check what is said of the light of single pieces of a set, and of a patch of the glass."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.inspection.checks.sets import light_findings, smear_finding
from stitchbed.inspection.smears import Smear


@pytest.mark.parametrize(
    ("gain", "said"),
    [
        ((0.05, 0.05, 0.05), []),
        ((0.15, 0.15, 0.15), [("exposure", "usable")]),
        ((-0.4, -0.4, -0.4), [("exposure", "redo")]),
        ((0.05, 0.0, -0.05), [("color cast", "usable")]),
    ],
)
def test_light_is_told_of_the_piece_that_differs(gain: tuple[float, ...], said: list[tuple[str, str]]) -> None:
    found = light_findings(np.array([(0.0, 0.0, 0.0), gain]))
    assert [(index, one.fault, one.level) for index, one in found] == [(1, *each) for each in said]


def test_a_smear_is_told_in_mm_from_the_scan_s_corner() -> None:
    """300 px at 300 dpi are an inch: 25.4 mm (ISO 80000-3)."""
    told = smear_finding(Smear(x=300.0, y=600.0, area=150.0**2, likeness=0.8), 300.0)
    assert told.numbers["places"] == [[25.4, 50.8]]
    assert "13 mm wide" in told.why
