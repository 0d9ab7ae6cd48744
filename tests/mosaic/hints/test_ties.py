"""I check that a point said to be the same is measured where there is drawing, and else is as sure as was said."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from laid_pieces import PER_MM, SIZE, sheet, shift
from scipy import ndimage

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box
from stitchbed.mosaic.hints.kinds import SamePoint
from stitchbed.mosaic.hints.ties import said_points, said_ties
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.registration.tie_points import TieSettings

ORIGINS = {"a": (10, 10), "b": (90, 12), "c": (360, 10)}  # c holds nothing
PIECES = [Placement(name, SIZE, shift(*at)) for name, at in ORIGINS.items()]
SCALES = np.array([PER_MM] * 3)
SETTINGS = TieSettings()


def read(name: str, box: Box) -> Floats:
    """A piece as it was scanned, b a quarter of a px further to the right than a's."""
    x, y = ORIGINS[name]
    whole = cv2.GaussianBlur(sheet()[y : y + SIZE[0], x : x + SIZE[1]], (0, 0), 0.8)  # as optics draw it
    if name == "b":
        whole = ndimage.shift(whole, (0, 0.25), order=3, mode="nearest")
    return np.asarray(whole[box.slices], np.float32)


def hint(a_at: tuple[float, float], b_at: tuple[float, float], *, b: str = "b", within_mm: float = 1.0) -> SamePoint:
    """A point of a and another piece."""
    return SamePoint("a", a_at, b, b_at, within_mm=within_mm)


@pytest.mark.parametrize("miss", [(0, 0), (1, -1), (-1.5, 1)])
def test_a_point_in_drawing_is_found_to_a_fraction_of_a_px(miss: tuple[float, float]) -> None:
    said = hint((120, 60), (40 + miss[0], 58 + miss[1]))
    (one,) = said_points([said], PIECES, SCALES, read, SETTINGS)
    assert (one.a, one.b, one.found) == (0, 1, True)
    # what lies at x in a lies at x - 80 + .25, y - 2 in b
    assert one.at[1] - one.at[0] == pytest.approx((-79.75, -2), abs=0.06)
    assert abs(one.at[0] - (120, 60)).max() <= 0.5
    assert np.linalg.eigvalsh(one.info).min() > 100  # surer than a tenth of a px


@pytest.mark.parametrize(
    ("miss", "within_mm", "found"), [(4, 1.0, True), (6, 1.0, False), (6.5, 1.5, True), (7.5, 1.5, False)]
)
def test_a_spot_is_believed_within_twice_of_what_was_said(miss: float, within_mm: float, found: bool) -> None:
    said = hint((120, 60), (40 + miss, 58), within_mm=within_mm)  # px, of which two are a mm; and one more
    assert said_points([said], PIECES, SCALES, read, SETTINGS)[0].found is found


def test_a_point_farther_off_than_it_may_be_is_as_said() -> None:
    (one,) = said_points([hint((120, 60), (48, 58))], PIECES, SCALES, read, SETTINGS)  # 8 px, and 1 mm is 2 px
    assert not one.found and np.array_equal(one.at, [(120, 60), (48, 58)])
    assert np.allclose(one.info, np.eye(2))  # half of what was said, 1 px, is one sd


@pytest.mark.parametrize(("within_mm", "weight"), [(1.0, 1.0), (4.0, 1 / 16), (0.01, 400.0)])
def test_over_bare_paper_a_point_is_as_sure_as_was_said(within_mm: float, weight: float) -> None:
    said = hint((150, 60), (20, 60), b="c", within_mm=within_mm)
    (one,) = said_points([said], PIECES, SCALES, read, SETTINGS)
    assert (one.a, one.b, one.found) == (0, 2, False)
    assert np.allclose(one.info, weight * np.eye(2))  # no surer than a twentieth of a px


def test_points_of_pieces_that_were_not_placed_are_left_out() -> None:
    said = [hint((120, 60), (40, 58)), hint((150, 60), (20, 60), b="c")]
    (one,) = said_points(said, PIECES[:2], SCALES[:2], read, SETTINGS)
    assert one.b == 1
    assert said_points(said, PIECES[1:], SCALES[1:], read, SETTINGS) == []


def test_ties_hold_the_same_as_points() -> None:
    said = [hint((120, 60), (40, 58)), hint((150, 60), (20, 60), b="c")]
    points, ties = (make(said, PIECES, SCALES, read, SETTINGS) for make in (said_points, said_ties))
    assert ties.a.tolist() == [0, 0] and ties.b.tolist() == [1, 2]
    for k, point in enumerate(points):
        assert np.array_equal([ties.xy_a[k], ties.xy_b[k]], point.at)
        assert np.array_equal(ties.info[k], point.info)
    assert ties.correlation.tolist() == [0, 0]
    assert len(said_ties([], PIECES, SCALES, read, SETTINGS).a) == 0
