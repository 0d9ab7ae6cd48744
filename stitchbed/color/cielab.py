"""I go between XYZ, CIELAB under D50, and linear RGB of named primaries.

In: colors as float64 rows of three. Out: the same colors in another space, nothing clipped.

XYZ is scaled so that the white has Y = 1. All CIELAB here is D50, 2 degree observer, with the white of the ICC profile
connection space; XYZ of other whites is adapted by Bradford first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from skimage.color import deltaE_ciede2000

from stitchbed.core.arrays import Array

D50: Array = np.array([0.9642, 1.0, 0.8249])  # ICC.1:2022, 7.2.16
BRADFORD: Array = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
KNEE = 6 / 29  # CIE 15:2018, 8.2.1: where the cube root turns into a line
LAB_FROM_ROOTS: Array = np.array([[0.0, 116, 0], [500, -500, 0], [0, 200, -200]])  # CIE 15:2018, 8.2.1, but for the -16


@dataclass(frozen=True)
class Space:
    """An RGB space with the tone curve of its standard.

    primaries : (3, 2) xy of red, green, blue. white : (2,) xy. gamma : exponent, or None for the sRGB curve.
    """

    name: str
    primaries: Array
    white: Array
    gamma: float | None


D65_XY: Array = np.array([0.3127, 0.3290])
SPACES = {
    "srgb": Space("sRGB", np.array([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]]), D65_XY, None),  # IEC 61966-2-1:1999
    "wide": Space("wide RGB", np.array([[0.708, 0.292], [0.17, 0.797], [0.131, 0.046]]), D65_XY, 2.2),  # BT.2020
}


def lab_from_xyz(xyz: Array) -> Array:
    """XYZ under D50 (..., 3), Y of white = 1 -> CIELAB (..., 3). Reference: CIE 15:2018, 8.2.1."""
    ratio = np.asarray(xyz, dtype=np.float64) / D50
    root = np.where(ratio > KNEE**3, np.cbrt(np.maximum(ratio, 0)), ratio / (3 * KNEE**2) + 4 / 29)
    x, y, z = root[..., 0], root[..., 1], root[..., 2]
    lab = np.empty_like(root)  # filled, not stacked: fits ask for few colors, thousands of times
    lab[..., 0], lab[..., 1], lab[..., 2] = 116 * y - 16, 500 * (x - y), 200 * (y - z)
    return lab


def lab_slopes(xyz: Array) -> Array:
    """(..., 3, 3): how L*, a*, b* (rows) change with X, Y, Z (columns), at XYZ under D50 (..., 3).

    `lab_from_xyz` differentiated.
    """
    ratio = np.asarray(xyz, dtype=np.float64) / D50
    steep = 1 / (3 * np.cbrt(np.maximum(ratio, KNEE**3)) ** 2)  # and the line below the knee is as steep as at the knee
    return np.asarray(LAB_FROM_ROOTS * (steep / D50)[..., None, :], dtype=np.float64)


def xyz_from_lab(lab: Array) -> Array:
    """CIELAB (..., 3) -> XYZ under D50, Y of white = 1. Reference: CIE 15:2018, 8.2.1 inverted."""
    lightness, a, b = np.moveaxis(np.asarray(lab, dtype=np.float64), -1, 0)
    y = (lightness + 16) / 116
    root = np.stack([y + a / 500, y, y - b / 200], axis=-1)
    ratio: Array = np.where(root > KNEE, root**3, 3 * KNEE**2 * (root - 4 / 29)) * D50
    return ratio


def adaptation(white: Array) -> Array:
    """(3, 3) taking XYZ under `white` (XYZ, Y = 1) to XYZ under D50.

    Reference: Lam (1985), "Bradford"; ICC.1:2022, annex E.
    """
    gain = (BRADFORD @ D50) / (BRADFORD @ white)
    matrix: Array = np.linalg.inv(BRADFORD) @ np.diag(gain) @ BRADFORD
    return matrix


def xyz_from_rgb(space: Space) -> Array:
    """(3, 3): linear RGB 0..1 of a space -> XYZ under D50. Reference: SMPTE RP 177:1993, then Bradford."""
    columns = np.array([_xyz_of_xy(xy) for xy in space.primaries]).T
    white = _xyz_of_xy(space.white)
    matrix: Array = adaptation(white) @ columns @ np.diag(np.linalg.solve(columns, white))
    return matrix


def _xyz_of_xy(xy: Array) -> Array:
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def de00(lab_a: Array, lab_b: Array) -> Array:
    """CIEDE2000 of (..., 3) CIELAB rows, with kL = kC = kH = 1.

    Reference: Sharma, Wu & Dalal (2005), doi 10.1002/col.20070.
    """
    first, second = np.asarray(lab_a, np.float64), np.asarray(lab_b, np.float64)
    return np.asarray(deltaE_ciede2000(first, second), dtype=np.float64)


def chroma_of(lab: Array) -> Array:
    """Distance from the gray axis, a*b* (..., )."""
    return np.asarray(np.hypot(lab[..., 1], lab[..., 2]), dtype=np.float64)


def hue_angle(lab: Array) -> Array:
    """Angle round the gray axis, h_ab of ISO/CIE 11664-4, (..., ) degrees 0 to 360."""
    return np.asarray(np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360, dtype=np.float64)
