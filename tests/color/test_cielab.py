"""I check color arithmetic against published numbers: CIEDE2000, CIELAB under D50, adaptation, primaries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.differentiate import jacobian
from skimage.color import lab2lch

from stitchbed.color.cielab import (
    D50,
    SPACES,
    adaptation,
    chroma_of,
    de00,
    hue_angle,
    lab_from_xyz,
    lab_slopes,
    xyz_from_lab,
    xyz_from_rgb,
)
from stitchbed.imaging.transfer import srgb_decode

# Sharma, Wu & Dalal (2005), doi 10.1002/col.20070, Table I: L1 a1 b1 L2 a2 b2 dE00, all 34 pairs.
SHARMA = (
    (50.0, 2.6772, -79.7751, 50.0, 0.0, -82.7485, 2.0425),
    (50.0, 3.1571, -77.2803, 50.0, 0.0, -82.7485, 2.8615),
    (50.0, 2.8361, -74.02, 50.0, 0.0, -82.7485, 3.4412),
    (50.0, -1.3802, -84.2814, 50.0, 0.0, -82.7485, 1.0),
    (50.0, -1.1848, -84.8006, 50.0, 0.0, -82.7485, 1.0),
    (50.0, -0.9009, -85.5211, 50.0, 0.0, -82.7485, 1.0),
    (50.0, 0.0, 0.0, 50.0, -1.0, 2.0, 2.3669),
    (50.0, -1.0, 2.0, 50.0, 0.0, 0.0, 2.3669),
    (50.0, 2.49, -0.001, 50.0, -2.49, 0.0009, 7.1792),
    (50.0, 2.49, -0.001, 50.0, -2.49, 0.001, 7.1792),
    (50.0, 2.49, -0.001, 50.0, -2.49, 0.0011, 7.2195),
    (50.0, 2.49, -0.001, 50.0, -2.49, 0.0012, 7.2195),
    (50.0, -0.001, 2.49, 50.0, 0.0009, -2.49, 4.8045),
    (50.0, -0.001, 2.49, 50.0, 0.001, -2.49, 4.8045),
    (50.0, -0.001, 2.49, 50.0, 0.0011, -2.49, 4.7461),
    (50.0, 2.5, 0.0, 50.0, 0.0, -2.5, 4.3065),
    (50.0, 2.5, 0.0, 73.0, 25.0, -18.0, 27.1492),
    (50.0, 2.5, 0.0, 61.0, -5.0, 29.0, 22.8977),
    (50.0, 2.5, 0.0, 56.0, -27.0, -3.0, 31.903),
    (50.0, 2.5, 0.0, 58.0, 24.0, 15.0, 19.4535),
    (50.0, 2.5, 0.0, 50.0, 3.1736, 0.5854, 1.0),
    (50.0, 2.5, 0.0, 50.0, 3.2972, 0.0, 1.0),
    (50.0, 2.5, 0.0, 50.0, 1.8634, 0.5757, 1.0),
    (50.0, 2.5, 0.0, 50.0, 3.2592, 0.335, 1.0),
    (60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644),
    (63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.263),
    (61.2901, 3.7196, -5.3901, 61.4292, 2.248, -4.962, 1.8731),
    (35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645),
    (22.7233, 20.0904, -46.694, 23.0331, 14.973, -42.5619, 2.0373),
    (36.4612, 47.858, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146),
    (90.8027, -2.0831, 1.441, 91.1528, -1.6435, 0.0447, 1.4441),
    (90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381),
    (6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377),
    (2.0776, 0.0795, -1.135, 0.9033, -0.0636, -0.5514, 0.9082),
)
PRINTED = 1e-4  # the table prints four decimals; 5e-5 just passes


@pytest.mark.parametrize("row", SHARMA, ids=range(1, 35))
def test_ciede2000_of_all_published_pairs(row: tuple[float, ...]) -> None:
    a, b = np.array(row[:3]), np.array(row[3:6])
    assert float(de00(a, b)) == pytest.approx(row[6], abs=PRINTED)
    assert float(de00(b, a)) == pytest.approx(row[6], abs=PRINTED)


def test_grays_differ_by_lightness_alone() -> None:
    """L* 50 and 60: 10 / S_L with S_L = 1 + .015 * 25 / sqrt(20 + 25), from the formula's lightness weight."""
    expected = 10 / (1 + 0.015 * 25 / np.sqrt(20 + 25))
    assert float(de00(np.array([50.0, 0, 0]), np.array([60.0, 0, 0]))) == pytest.approx(expected, abs=1e-6)


# sRGB codes -> CIELAB D50 through Bradford; computed with two independent implementations; red agrees with the worked
# value of CSS Color 4 (54.29 80.80 69.89). .05 covers the variants of the D50 white in use.
@pytest.mark.parametrize(
    ("code", "lab"),
    [
        ((255, 0, 0), (54.290, 80.814, 69.890)),
        ((0, 255, 0), (87.819, -79.275, 80.993)),
        ((0, 0, 255), (29.566, 68.286, -112.033)),
        ((255, 255, 0), (97.607, -15.748, 93.391)),
        ((128, 128, 128), (53.585, 0, 0)),
        ((200, 150, 100), (66.126, 14.999, 33.950)),
        ((10, 20, 30), (5.851, -1.497, -8.255)),
    ],
)
def test_srgb_to_lab_d50(code: tuple[int, ...], lab: tuple[float, ...]) -> None:
    linear = srgb_decode(np.array(code) / 255)
    assert lab_from_xyz(xyz_from_rgb(SPACES["srgb"]) @ linear) == pytest.approx(np.array(lab), abs=0.05)


def test_bradford_from_d65_is_that_of_the_srgb_profile() -> None:
    """The `chad` tag that littleCMS 2 writes into its sRGB profile."""
    chad = [[1.0478860, 0.0229188, -0.0502161], [0.0295818, 0.9904835, -0.0170787], [-0.0092519, 0.0150726, 0.7516781]]
    x, y = SPACES["srgb"].white
    white = np.array([x / y, 1, (1 - x - y) / y])
    assert adaptation(white) == pytest.approx(np.array(chad), abs=2e-6)  # the profile's white is rounded
    assert adaptation(white) @ white == pytest.approx(D50, abs=1e-12)


def test_srgb_colorants_are_those_of_the_profile() -> None:
    """Red, green, blue of littleCMS' sRGB profile, five decimals."""
    colorants = [[0.43604, 0.22248, 0.01392], [0.38511, 0.71690, 0.09707], [0.14305, 0.06061, 0.71391]]
    assert pytest.approx(np.array(colorants), abs=1e-5) == xyz_from_rgb(SPACES["srgb"]).T


@pytest.mark.parametrize("space", SPACES)
def test_white_of_every_space_is_lab_white(space: str) -> None:
    assert lab_from_xyz(xyz_from_rgb(SPACES[space]) @ np.ones(3)) == pytest.approx([100, 0, 0], abs=1e-9)


def test_lab_both_ways_over_the_whole_range() -> None:
    rng = np.random.default_rng(1)
    lab = np.column_stack([rng.uniform(0, 100, 500), rng.uniform(-90, 90, 500), rng.uniform(-90, 90, 500)])
    assert lab_from_xyz(xyz_from_lab(lab)) == pytest.approx(lab, abs=1e-9)
    assert lab_from_xyz(np.zeros(3)) == pytest.approx([0, 0, 0], abs=1e-9)


def test_chroma() -> None:
    assert chroma_of(np.array([[50.0, 3, 4], [20, 0, 0]])) == pytest.approx([5, 0])


def test_hue_angle_is_lch_s() -> None:
    """scikit-image's lab2lch is the outside reference."""
    labs = np.random.default_rng(1).uniform(-90, 90, (50, 3))
    assert hue_angle(labs) == pytest.approx(np.degrees(lab2lch(labs)[:, 2]))


@pytest.mark.parametrize("xyz", [(0.3, 0.2, 0.6), (0.002, 0.004, 0.001), (0.95, 1.0, 0.004)])
def test_slopes_are_those_of_small_steps(xyz: tuple[float, ...]) -> None:
    """Also below the knee. Against scipy's numerical derivatives."""
    steps = jacobian(
        lambda at: np.moveaxis(lab_from_xyz(np.moveaxis(at, 0, -1)), -1, 0), np.array(xyz), initial_step=1e-4
    )
    assert lab_slopes(np.array(xyz)) == pytest.approx(steps.df, rel=1e-5, abs=1e-5)
