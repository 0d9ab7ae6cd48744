"""I check that a lens bends points there and back."""

from __future__ import annotations

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
