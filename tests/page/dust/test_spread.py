"""I check the sums of a mark's ink by shapes whose moments are known.

A uniform bar of length l has variance l^2 / 12, a disc of radius r a variance of r^2 / 4 along any axis, a round
Gaussian of variance v along each axis a fourth moment of 8 v^2 about its middle (Johnson, Kotz & Balakrishnan,
Continuous Univariate Distributions 1, 1994: the square of its radius is exponential with mean 2 v).
"""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.page.dust.spread import SPREAD, spread_of

AT = np.arange(41) - 20.0
ROW, COL = np.meshgrid(AT, AT, indexing="ij")
PX_PER_MM = 10.0


def seen(ink: np.ndarray, blur: float = 1.0) -> dict[str, float]:
    return dict(zip(SPREAD, spread_of(ink[None].astype(np.float32), blur, PX_PER_MM)[0].tolist(), strict=True))


@pytest.mark.parametrize("dark", [1.0, 0.4])
def test_a_bar_is_as_long_and_as_narrow_as_it_is(dark: float) -> None:
    bar = dark * ((np.abs(COL - 1) <= 7) & (np.abs(ROW + 2) <= 1))  # 15 x 3 px, its middle beside the patch's
    it = seen(bar)
    # n equal pixels in a row: (n^2 - 1) / 12
    assert it["long"] == pytest.approx(((15**2 - 1) / 12 - 1) / PX_PER_MM**2, rel=1e-5)
    assert it["short"] == pytest.approx(((3**2 - 1) / 12 - 1) / PX_PER_MM**2, rel=1e-5)
    assert it["top"] == pytest.approx(dark)
    assert it["fourth"] == 1


def test_turned_bars_are_alike() -> None:
    bars = [np.exp(-(((COL * c + ROW * s) / 6) ** 2) - ((ROW * c - COL * s) / 2) ** 2) for c, s in ((1, 0), (0.6, 0.8))]
    flat, turned = seen(bars[0]), seen(bars[1])
    assert [turned[name] for name in ("long", "short", "tail")] == pytest.approx(
        [flat[name] for name in ("long", "short", "tail")], rel=1e-3
    )
    assert flat["long"] == pytest.approx((6**2 / 2 - 1) / PX_PER_MM**2, rel=1e-3)


def test_a_black_disc_is_compact_and_a_gray_one_is_not() -> None:
    """A Gaussian of the variance a blurred disc has: sum s, squares s^2 / (4 pi v)."""
    blur, black = 1.5, 30.0  # px, px of ink
    variance = black / (4 * np.pi) + blur**2
    solid = black / (2 * np.pi * variance) * np.exp(-(ROW**2 + COL**2) / (2 * variance))
    it = seen(solid, blur)
    assert it["compact"] == pytest.approx(1, rel=1e-3)
    assert it["tail"] == pytest.approx(1, rel=1e-3)  # 8 v^2 over 2 (2 v)^2
    assert it["uneven"] == pytest.approx(0, abs=1e-5)
    gray = 0.5 * black / (2 * np.pi * variance) * np.exp(-(ROW**2 + COL**2) / (2 * variance))
    # half the sum on the same area: s^2 / (4 pi v) over that of a disc of half the area
    assert seen(gray, blur)["compact"] == pytest.approx((black / 2 / (4 * np.pi) + blur**2) / variance, rel=1e-3)


def test_uneven_is_what_half_a_turn_changes() -> None:
    ink = np.zeros((41, 41))
    ink[20, 20], ink[20, 22], ink[19, 20], ink[21, 20] = 0.5, 0.25, 0.125, 0.125
    it = seen(ink)
    assert it["uneven"] == pytest.approx(0.5)  # .25 to either side differ, of 1
    assert it["fourth"] == pytest.approx(0.25)


def test_no_marks_no_numbers() -> None:
    assert spread_of(np.zeros((0, 9, 9), np.float32), 1.0, 10.0).shape == (0, len(SPREAD))
