"""I check that overlapping photos are leveled against each other, and that shine does not spoil it."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.photos.compositing.vignetting import level_photos, log_falloff

# Three frames of 2 x 1.4 half diagonals, side by side; places of the work on a grid.
X, Y = (part.ravel() for part in np.meshgrid(np.linspace(-2, 2, 81), np.linspace(-0.6, 0.6, 25)))
SHIFTS = (-1.1, 0.0, 1.1)
EXPOSURES = (0.0, -0.25, 0.18)


def series(rng: np.random.Generator, shine: float = 0.0) -> tuple[list[np.ndarray], list[np.ndarray], list[np.ndarray]]:
    """Light, places in the frame, seen; corners lose 30 %, noise .3 %."""
    work = rng.uniform(0.05, 0.6, (len(X), 3))
    light, at, seen = [], [], []
    for shift, exposure in zip(SHIFTS, EXPOSURES, strict=True):
        place = np.column_stack([X - shift, Y])
        square = (place**2).sum(1, keepdims=True)
        here = work * np.exp(exposure) * (1 - 0.3 * square)
        here *= 1 + 0.003 * rng.standard_normal(here.shape)
        spot = np.hypot(X - 0.5 - 0.2 * shift, Y) < 0.15
        here[spot] += shine
        light.append(np.maximum(here, 1e-4))
        at.append(place)
        seen.append(np.all(np.abs(place) < [0.82, 0.57], axis=1))
    return light, at, seen


@pytest.mark.parametrize("shine", [0.0, 0.5])
def test_exposure_and_falloff_come_back(shine: float) -> None:
    """Shine over a spot of each photo, at another place in each, loses its weight."""
    light, at, seen = series(np.random.default_rng(1), shine)
    levels = level_photos(light, at, seen)
    assert levels is not None and levels.agreeing > 0.85
    assert levels.spread < 0.012 < levels.spread_before  # noise of both photos, worst of three channels
    for i in range(3):
        true = np.log(1 - 0.3 * (at[i][seen[i]] ** 2).sum(1)) + EXPOSURES[i]
        off = log_falloff(levels, i, at[i][seen[i]]).mean(1) - true
        # a plane over all three is what overlaps cannot tell; beliefs keep it small
        design = np.column_stack([np.ones(seen[i].sum()), X[seen[i]], Y[seen[i]]])
        left = off - design @ np.linalg.lstsq(design, off, rcond=None)[0]
        assert np.abs(left).max() < 0.02


def test_overlaps_agree_after_leveling() -> None:
    light, at, seen = series(np.random.default_rng(2))
    levels = level_photos(light, at, seen)
    assert levels is not None
    for i, j in ((0, 1), (1, 2)):
        both = seen[i] & seen[j]
        evened = [light[k][both] / np.exp(log_falloff(levels, k, at[k][both])) for k in (i, j)]
        ratio = np.log(evened[0] / evened[1])
        assert np.abs(ratio.mean(0)).max() < 0.001 and ratio.std() < 0.006


def test_the_first_photo_keeps_its_exposure() -> None:
    light, at, seen = series(np.random.default_rng(3))
    levels = level_photos(light, at, seen)
    assert levels is not None
    assert levels.exposure[0] == pytest.approx(np.zeros(3), abs=1e-12)


def test_photos_apart_cannot_be_leveled() -> None:
    light, at, seen = series(np.random.default_rng(4))
    assert level_photos([light[0], light[2]], [at[0], at[2]], [seen[0], seen[2]]) is None
