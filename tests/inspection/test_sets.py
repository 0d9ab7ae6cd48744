"""I check what is said of the light of single pieces of a set, and of a patch of the glass."""

from __future__ import annotations

import numpy as np
import pytest
from made_evidence import evidence

from stitchbed.inspection.checks.sets import _lifted, light_findings, smear_finding
from stitchbed.inspection.overlaps import Comparison, SideLoss
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


def test_a_corner_that_lies_in_another_piece_s_lift_makes_no_lift_of_the_piece_s_own() -> None:
    """Three pieces of one light; the corner of 0 lies on the lifted side of 2, which is 4 % darker there, so that what
    0 shows beyond it seems darker by as much."""

    def pair(a: int, b: int, gain: float, side: SideLoss | None = None) -> Comparison:
        return Comparison(a, b, np.full(3, gain), (side,) if side else (), (), 0.1, 100.0)

    corner = SideLoss("right", 0.045, 40.0, 0.3, 0.044)
    for gain, told in ((0.04, []), (0.0, [0])):
        pairs = (pair(0, 1, 0.0), pair(1, 2, 0.0), pair(0, 2, gain, corner))
        assert [index for index, _ in _lifted(evidence(3, comparisons=pairs))] == told


@pytest.mark.parametrize(("sure", "shared", "told"), [(0.06, 0.03, []), (0.1, 0.03, [0]), (0.06, 0.2, [0])])
def test_a_corner_alone_tells_no_slight_lift(sure: float, shared: float, told: list[int]) -> None:
    side = SideLoss("left", sure + 0.01, 40.0, 0.2, sure)
    pairs = (
        Comparison(0, 1, np.zeros(3), (side,), (), shared, 60.0),
        *(Comparison(a, b, np.zeros(3), (), (), 0.2, 100.0) for a, b in ((0, 2), (1, 2))),
    )
    assert [index for index, _ in _lifted(evidence(3, comparisons=pairs))] == told


@pytest.mark.parametrize(("loss", "length", "told"), [(0.0, 0.56, []), (0.09, 0.56, [0]), (0.0, 0.2, [0])])
def test_a_corner_tells_no_lift_of_a_side_that_a_broad_overlap_shows_flat(
    loss: float, length: float, told: list[int]
) -> None:
    """Something printed dark that lies a px aside at the corner takes light from there."""
    corner, broad = (SideLoss("right", *one) for one in ((0.126, 36.0, 0.15, 0.1), (loss, 30.0, length, loss)))
    pairs = (
        Comparison(0, 1, np.zeros(3), (corner,), (), 0.06, 60.0),
        Comparison(0, 2, np.zeros(3), (broad,), (), 0.24, 100.0),
        Comparison(1, 2, np.zeros(3), (), (), 0.2, 100.0),
    )
    assert [index for index, _ in _lifted(evidence(3, comparisons=pairs))] == told


@pytest.mark.parametrize(("shared", "told"), [(0.03, [1]), (0.3, [0, 1])])
def test_at_a_corner_only_the_darker_of_two_is_lifted(shared: float, told: list[int]) -> None:
    """Both hang over the frame where they lie side by side, however little of the sides shows paper."""
    sides = SideLoss("right", 0.33, 16.0, 0.29, 0.32), SideLoss("left", 0.34, 20.0, 0.35, 0.33)
    pair = Comparison(0, 1, np.zeros(3), sides[:1], sides[1:], shared, 60.0)
    assert [index for index, _ in _lifted(evidence(2, comparisons=(pair,)))] == told


@pytest.mark.parametrize(("facing", "told"), [(0.28, [1]), (0.14, [1]), (0.09, [0, 1])])
def test_beside_a_side_that_lifts_far_more_the_facing_one_only_seems_to(facing: float, told: list[int]) -> None:
    """What lies beside the dark strip seems darker than the strip makes the rest."""
    own, other = SideLoss("right", 0.051, 40.0, 0.6, 0.05), SideLoss("left", facing + 0.01, 60.0, 0.6, facing)
    pair = Comparison(0, 1, np.zeros(3), (own,), (other,), 0.2, 150.0)
    assert [index for index, _ in _lifted(evidence(2, comparisons=(pair,)))] == told
