"""I check that a lens bends points there and back."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.photos.geometry.lens import Lens, distorted, folds, plain_lens, undistorted

ROUND_TRIP_PX = 1e-6  # Newton's method ends at float64 rounding


def test_a_plain_lens_changes_nothing() -> None:
    lens = plain_lens(6000, 4000)
    xy = np.array([[0.0, 0], [2999.5, 1999.5], [5999, 3999]])
    assert distorted(lens, xy) == pytest.approx(xy, abs=1e-9)
    assert lens.radius == pytest.approx(np.hypot(6000, 4000) / 2)


@pytest.mark.parametrize(("k1", "k2"), [(-0.08, 0.0), (0.05, 0.0), (-0.1, 0.03), (0.02, -0.02)])
def test_there_and_back(k1: float, k2: float) -> None:
    lens = Lens(2990.0, 2020.0, 3600.0, k1, k2)
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 1, (400, 2)) * [6000, 4000]
    assert undistorted(lens, distorted(lens, xy)) == pytest.approx(xy, abs=ROUND_TRIP_PX)
    assert distorted(lens, undistorted(lens, xy)) == pytest.approx(xy, abs=ROUND_TRIP_PX)


def test_barrel_pulls_the_corner_inward_by_the_stated_share() -> None:
    lens = Lens(0.0, 0.0, 1000.0, -0.08, 0.0)
    corner = np.array([[600.0, 800.0]])  # at one radius
    assert distorted(lens, corner) == pytest.approx(0.92 * corner)


def test_a_lens_that_folds_is_known() -> None:
    assert folds(Lens(0, 0, 1, -0.4, 0.0))
    assert not folds(Lens(0, 0, 1, -0.1, 0.02))


def test_decentering_is_that_of_a_general_library() -> None:
    """Against cv2.projectPoints (its model: Brown 1966, coefficients k1, k2, p1, p2), and back again."""
    lens = Lens(1500.0, 1000.0, 1800.0, -0.05, 0.01, 8e-4, -5e-4)
    camera = np.array([[lens.radius, 0, lens.center_x], [0, lens.radius, lens.center_y], [0, 0, 1]])
    xy = np.random.default_rng(5).uniform(0, 1, (200, 2)) * [3000, 2000]
    rays = np.column_stack([(xy - lens.center) / lens.radius, np.ones(len(xy))])
    terms = np.array([lens.k1, lens.k2, lens.p1, lens.p2])
    theirs = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), camera, terms)[0].reshape(-1, 2)
    assert distorted(lens, xy) == pytest.approx(theirs, abs=1e-6)
    assert undistorted(lens, theirs) == pytest.approx(xy, abs=ROUND_TRIP_PX)
