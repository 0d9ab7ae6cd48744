"""I check that gray dots are told from smaller black ones, on dots drawn exactly through known optics."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from stitchbed.page.dust.solidity import solidity

FINE = 8  # samples per px and side


def _dots(diameter: float, dark: float, blur: float, *, count: int = 60) -> NDArray[np.float32]:
    """(count, 17, 17) round dots of `diameter` px anywhere within a pixel, blurred, with noise of .015."""
    import cv2

    rng = np.random.default_rng(round(100 * diameter + 10 * dark))
    at = (np.arange(17 * FINE) + 0.5) / FINE - 8.5
    made = []
    for _ in range(count):
        x, y = rng.uniform(-0.5, 0.5, 2)
        inside = (np.hypot(at[None] - x, at[:, None] - y) <= diameter / 2).astype(np.float32) * dark
        seen = cv2.GaussianBlur(inside, (0, 0), FINE * float(np.sqrt(blur**2 - 1 / 12)))
        pixels = seen.reshape(17, FINE, 17, FINE).mean(axis=(1, 3))
        made.append(pixels + rng.normal(0, 0.015, pixels.shape))
    return np.array(made, np.float32)


@pytest.mark.parametrize("diameter", [2.4, 3.5, 5.0])
def test_gray_dots_are_gray_and_black_ones_black(diameter: float) -> None:
    known = np.ones((60, 17, 17), np.float32)
    black, gain_black, wide = solidity(_dots(diameter, 1.0, 0.7), known, 0.7, 0.015)
    gray, gain_gray, _ = solidity(_dots(diameter, 0.6, 0.7), known, 0.7, 0.015)
    assert not ((black < 0.87) & (gain_black > 5)).any()
    assert np.median(black) > 0.95
    # the square bar of solid ink that has the area of the disc
    assert np.median(wide) == pytest.approx(diameter * np.sqrt(np.pi / 4), rel=0.12)
    assert ((gray < 0.87) & (gain_gray > 5)).mean() > 0.9
    assert np.median(gray) == pytest.approx(0.6, abs=0.1)


def test_what_is_no_mark_is_not_fitted() -> None:
    """A black neighbor in the corner, masked, changes nothing."""
    dots = _dots(3.5, 0.6, 0.7)
    known = np.ones(dots.shape, np.float32)
    crowded = dots.copy()
    crowded[:, :4, :4] = 1
    known[:, :4, :4] = 0
    alone, beside = solidity(dots, known, 0.7, 0.015)[0], solidity(crowded, known, 0.7, 0.015)[0]
    assert np.allclose(alone, beside, atol=0.02)


def test_no_marks_no_answer() -> None:
    dark, gain, _ = solidity(np.zeros((0, 9, 9), np.float32), np.zeros((0, 9, 9), np.float32), 0.7, 0.01)
    assert dark.size == gain.size == 0
