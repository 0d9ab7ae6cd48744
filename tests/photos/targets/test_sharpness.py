"""I check sharpness on slanted squares drawn by formula, against the response of the blur they were drawn with."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import norm

from stitchbed.card.board import full_piece, slant_corners
from stitchbed.imaging.box import Box
from stitchbed.photos.targets.sharpness import Sharpness, sharpness

K = 11.0  # px per mm
SIZE = (2600, 2200)  # px


def way(xy: np.ndarray) -> np.ndarray:
    """Card mm to picture px."""
    return K * xy + 20.0


def drawn(*sigmas: float, apart: float = 0.0) -> Callable[[Box], np.ndarray]:
    """Light of the squares, edges as soft as a Gaussian of so many px, told once or per channel; red and blue
    `apart` px away."""
    squares = [way(slant_corners(slant)) for slant in full_piece().slants]

    def light(box: Box) -> np.ndarray:
        y, x = np.mgrid[box.row : box.bottom, box.col : box.right].astype(float)
        channels = []
        for sigma, shift in zip(np.broadcast_to(sigmas, 3), (-apart, 0.0, apart), strict=True):
            dark = np.zeros(x.shape)
            for square in squares:
                inside = np.ones(x.shape)
                for a, b in zip(square, np.roll(square, -1, axis=0), strict=True):
                    along = (b - a) / np.linalg.norm(b - a)
                    depth = -along[1] * (x - shift - a[0]) + along[0] * (y - shift - a[1])
                    inside *= norm.cdf(depth / sigma)
                dark = np.maximum(dark, inside)
            channels.append(0.85 - 0.80 * dark)
        return np.stack(channels, axis=2)

    return light


def measured(*sigmas: float, **how: float) -> Sharpness:
    """Of the whole card."""
    found = sharpness([(full_piece(), way)], drawn(*sigmas, **how), SIZE)
    assert found is not None
    return found


@pytest.mark.parametrize("sigma", [0.55, 0.8, 1.2])
def test_the_response_is_that_of_the_blur(sigma: float) -> None:
    found = measured(sigma)
    # a Gaussian edge has the response exp(-2 pi^2 sigma^2 f^2), f in cycles per px
    half = np.sqrt(np.log(2) / 2) / (np.pi * sigma)
    tenth = np.sqrt(np.log(10) / 2) / (np.pi * sigma)
    assert found.mtf50 == pytest.approx(half / 0.5, abs=0.03)
    assert found.efficiency == pytest.approx(tenth / 0.5, abs=0.04)
    assert found.at_half == pytest.approx(np.exp(-2 * np.pi**2 * sigma**2 * 0.25), abs=0.03)
    assert found.largest == pytest.approx(1, abs=0.02)
    assert found.edges == 4 * len(full_piece().slants)


def test_the_response_is_of_luminance() -> None:
    weights, sigmas = np.array([0.2126, 0.7152, 0.0722]), np.array([1.3, 0.7, 1.3])  # ITU-R BT.709
    found = measured(*sigmas)
    assert found.at_half == pytest.approx(weights @ np.exp(-2 * np.pi**2 * sigmas**2 * 0.25), abs=0.02)


@pytest.mark.parametrize("apart", [0.0, 0.2])
def test_channels_apart_are_told(apart: float) -> None:
    found = measured(0.8, apart=apart)
    assert found.apart is not None
    assert found.apart == pytest.approx(2 * apart * np.cos(np.deg2rad(5)), abs=0.06)  # from red to blue across an edge


def test_gray_has_no_channels_to_be_apart() -> None:
    light = drawn(0.8)
    found = sharpness([(full_piece(), way)], lambda box: light(box)[..., :1], SIZE)
    assert found is not None and found.apart is None


def test_squares_outside_the_picture_are_not_measured() -> None:
    assert sharpness([(full_piece(), way)], drawn(0.8), (40, 40)) is None
    assert sharpness([], drawn(0.8), SIZE) is None
