"""I check that noise and grain are told from what is drawn over a whole page."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box
from stitchbed.inspection.dpi.losses import noise_of, power_of
from stitchbed.inspection.dpi.noise import WINDOW, apart_of, fine_power, lost_power, mean_powers, weaker_powers
from stitchbed.reading.base.tile import Raster

SIDE = 6 * WINDOW


def _noise(sigma: float) -> Floats:
    return (sigma * np.random.default_rng(3).standard_normal((SIDE, SIDE))).astype(np.float32)


def _screen(period: float, turn_deg: float) -> Floats:
    """Round dots of even ink, a screen as printers use it, each pixel the mean of its area, behind a soft lens."""
    y, x = np.mgrid[: 4 * SIDE, : 4 * SIDE].astype(np.float32) / 4
    turn = np.radians(turn_deg)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    dots = np.cos(2 * np.pi * u / period) + np.cos(2 * np.pi * v / period) > 0.4
    ink = dots.reshape(SIDE, 4, SIDE, 4).mean((1, 3))
    return np.asarray(ndimage.gaussian_filter(200 - 150 * ink, 0.8), np.float32)


@pytest.mark.parametrize("sigma", [0.8, 2.5])
def test_white_noise_has_its_variance(sigma: float) -> None:
    powers = np.array(weaker_powers(_noise(sigma), 1))
    # by Parseval's theorem; 36 windows of 9,216 px tell a variance to better than a hundredth
    assert fine_power(powers).mean() == pytest.approx(sigma**2, rel=0.03)
    assert mean_powers(_noise(sigma)) == pytest.approx(sigma**2, rel=0.1)


@pytest.mark.parametrize(("period", "turn"), [(9.0, 45.0), (6.9, 15.0), (14.0, 75.0)])
def test_a_screen_does_not_count_as_noise(period: float, turn: float) -> None:
    screen = _screen(period, turn)
    gone = screen - ndimage.uniform_filter(screen, 2)
    assert gone.std() > 5  # far more than the noise is lost with the screen
    powers = np.array(weaker_powers(screen + _noise(1.5), 1))
    assert np.sqrt(np.quantile(fine_power(powers), 0.1)) == pytest.approx(1.5, rel=0.15)


def test_grain_of_paper_is_as_strong_as_it_is() -> None:
    grain = np.asarray(ndimage.gaussian_filter(_noise(20.0), 1.5), np.float32)
    share = np.ones(len(weaker_powers(grain, 6)[0]))
    found = lost_power(np.array(weaker_powers(grain, 1)), share)
    # few periods lie in a window, so that windows differ
    assert found == pytest.approx(float(grain.var()), rel=0.2)


def test_only_so_many_windows_are_looked_at() -> None:
    assert apart_of((1000, 1000)) == 1
    assert apart_of((14000, 10000)) == 3  # 15,190 windows, some 1,690 of them
    assert len(weaker_powers(_noise(1.0), 2)) == 9
    assert weaker_powers(_noise(1.0)[:50], 1) == []


class _Whole:
    """A picture in memory, read like a file."""

    def __init__(self, pixels: NDArray[np.uint8]) -> None:
        self._pixels = pixels
        height, width, channels = pixels.shape
        self.raster = Raster((height, width, channels), "uint8", 8, None, None, True)

    def window(self, box: Box) -> NDArray[Any]:
        return self._pixels[box.slices]

    def view(self, reduction: int) -> NDArray[Any]:
        return self._pixels[::reduction, ::reduction]


def test_rounding_a_gray_to_whole_codes_is_no_noise_of_a_scan() -> None:
    noisy = 120 + 0.5 * np.random.default_rng(5).standard_normal((SIDE, SIDE, 3))
    pixels = np.rint(noisy).astype(np.uint8)
    told = np.hypot(0.5, np.sqrt(1 / 12)) * np.linalg.norm([0.299, 0.587, 0.114])  # each channel's own is rounded
    power = power_of(_Whole(pixels), 1200, [600])
    assert noise_of(power) == pytest.approx(told, rel=0.05)  # .386; rounded once more .48
