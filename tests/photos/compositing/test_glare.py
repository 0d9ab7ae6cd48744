"""I check that shine is found, and taken from the photo that sees the place without it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.photos.compositing.glare import balance, burnt, regions_mm, shares

DENSITY = 2.0


@pytest.fixture
def work() -> np.ndarray:
    rng = np.random.default_rng(1)
    small = rng.uniform(0.1, 0.7, (12, 18, 3)).astype(np.float32)
    return np.asarray(cv2.resize(small, (540, 360), interpolation=cv2.INTER_CUBIC)).clip(0.05, 0.8)


def shine(work: np.ndarray, x: int, y: int, radius: int, strength: float) -> np.ndarray:
    """Light added over a soft disk."""
    spot = np.zeros(work.shape[:2], np.float32)
    cv2.circle(spot, (x, y), radius, 1.0, -1)
    spot = cv2.GaussianBlur(spot, (0, 0), radius / 4)
    return np.minimum(work + strength * spot[..., None], 1.0).astype(np.float32)


def test_burnt_out_places_are_found_with_their_size(work: np.ndarray) -> None:
    mask = burnt(shine(work, 200, 150, 20, 5.0), DENSITY)
    regions = regions_mm(mask, DENSITY)
    assert len(regions) == 1
    assert regions[0]["x"] + regions[0]["width"] / 2 == pytest.approx(100, abs=1)
    assert regions[0]["y"] + regions[0]["height"] / 2 == pytest.approx(75, abs=1)
    assert 200 < regions[0]["area"] < 600  # a disk of 10 mm radius is 314 mm^2, grown by its soft rim


def test_single_shining_specks_are_left_alone(work: np.ndarray) -> None:
    speck = work.copy()
    speck[100, 100] = 1.0
    assert not burnt(speck, DENSITY).any()


def test_exposures_are_balanced_on_what_both_see(work: np.ndarray) -> None:
    other = shine((work * np.array([0.8, 0.7, 0.6])).astype(np.float32), 300, 200, 30, 2.0)
    factors = balance([work, other])
    assert factors[0] == pytest.approx(np.ones(3), abs=1e-6)
    assert factors[1] == pytest.approx([1 / 0.8, 1 / 0.7, 1 / 0.6], rel=1e-3)


def test_shine_is_taken_from_the_other_photo(work: np.ndarray) -> None:
    first, second = shine(work, 150, 120, 22, 1.5), shine(work, 400, 240, 22, 1.5)
    taken = shares([first, second], DENSITY)
    assert taken.weights.sum(axis=0) == pytest.approx(np.ones(work.shape[:2]), abs=1e-5)
    mixed = taken.weights[0][..., None] * first + taken.weights[1][..., None] * second
    assert np.abs(mixed - work).max() < 0.06  # the soft rim of the shine, where it adds less than .06 of light
    assert taken.weights[1][120, 150] > 0.999 and taken.weights[1][240, 400] < 0.001
    disk = np.pi * 22**2 / work[..., 0].size
    assert disk < taken.weights[1].mean() < 6 * disk


def test_alike_photos_give_the_first(work: np.ndarray) -> None:
    rng = np.random.default_rng(2)
    noisy = [(work + 0.004 * rng.standard_normal(work.shape)).astype(np.float32) for _ in range(2)]
    taken = shares(noisy, DENSITY)
    assert taken.weights[0].min() == pytest.approx(1)


def test_three_photos(work: np.ndarray) -> None:
    flats = [shine(work, 150, 120, 22, 1.5), shine(work, 150, 120, 22, 1.5), work]
    taken = shares(flats, DENSITY)
    assert taken.weights[2][120, 150] > 0.999
