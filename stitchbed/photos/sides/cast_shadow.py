"""I tell along which sides a work casts its shadow on the table, as one whose face lies well above it does.

In: the sides of a work in a flat view that shows table round it. Out: how wide the shadow is, side by side.

A shadow is the table's own tone, darker by one factor in all channels, from the side on and nearly all along it. Paper
that lies flat casts one of a millimeter or two, a canvas on its frame one of centimeters.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.photos.sides.lines import SIDES, Line, corners_of
from stitchbed.photos.sides.shadow import LEAST_LIGHT, OF_FACTOR, ONE_FACTOR

AROUND_MM = 80.0  # of table that the view should show beyond the sides
WIDTHS_MM = (5.0, 7.0, 10.0, 14.0, 20.0, 28.0, 40.0, 56.0)  # of shadows
NEXT_MM = 1.5  # beyond a side, where blur and the thickness of paper end
INNER, OUTER, BEYOND_MM, BEYOND = 0.8, 1.2, 6.0, 0.2  # shares of a width compared with what lies beyond it
DARKER = -0.2  # logarithm of light, of the whole side
MOSTLY, LITTLE = 0.75, -0.05  # share of places along it that are darker, and by how much
STEP_MM = 0.5
PLACES = 120  # along a side
LEAST_SEEN = 0.3  # share of these


def cast_shadows(
    picture: NDArray[np.uint8], keep_out: Mask, sides: Mapping[str, Line], density: float
) -> dict[str, float]:
    """Side -> mm by which a shadow reaches beyond it, of those that have one at least a few mm wide.

    picture : (h, w, channels) at `density` px/mm. keep_out : (h, w) True where cards lie or nothing is seen.
    """
    light = np.log((picture.reshape(*picture.shape[:2], -1) / 255) ** 2.2 + LEAST_LIGHT)
    light[keep_out] = np.nan
    corners = corners_of(sides)
    tones = [_beyond(np.roll(corners, -index, axis=0), light, density) for index in range(len(SIDES))]
    found: dict[str, tuple[float, float]] = {}  # how dark, and how wide, where that stands out most
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # places of which nothing is seen
        for width in WIDTHS_MM:
            darker = [_darker(each, width) for each in tones]
            slopes = [float(np.median(each.mean(axis=1))) if _enough(each) else 0.0 for each in darker]
            for index, name in enumerate(SIDES):
                uneven = max(slopes[(index + 2) % 4], 0.0)  # light that falls off makes the opposite side lighter
                if _enough(darker[index]) and _is_shadow(darker[index] + uneven):
                    found[name] = min(found.get(name, (0.0, 0.0)), (slopes[index], width))
    return {name: width for name, (_, width) in found.items()}


def _enough(darker: Array) -> bool:
    return len(darker) >= LEAST_SEEN * PLACES


def _darker(tones: Array, width: float) -> Array:
    """(places, channels) by which the table next to a side is darker than beyond `width`, where both are seen."""
    away = NEXT_MM + STEP_MM * np.arange(tones.shape[1])
    near = away <= max(INNER * width, NEXT_MM + STEP_MM)
    far = (away >= OUTER * width) & (away <= OUTER * width + BEYOND_MM + BEYOND * width)
    both = np.nanmean(tones[:, near], axis=1) - np.nanmean(tones[:, far], axis=1)
    return np.asarray(both[np.isfinite(both).all(axis=1)])


def _is_shadow(darker: Array) -> bool:
    """Whether places (N, channels) along a side are those of a shadow."""
    middle = np.median(darker, axis=0)
    one = np.ptp(middle) <= ONE_FACTOR + OF_FACTOR * abs(middle.mean())
    return bool(one and middle.mean() < DARKER and np.mean(darker.mean(axis=1) < LITTLE) >= MOSTLY)


def _beyond(corners: Array, light: Array, density: float) -> Array:
    """(PLACES, steps, channels) tones beyond the side from the first corner to the second, NaN where none is seen."""
    a, b = corners[:2]
    outward = np.array([(b - a)[1], -(b - a)[0]]) / np.linalg.norm(b - a)
    outward = outward * np.sign(outward @ (a - corners.mean(0)))
    along = a + np.linspace(0.04, 0.96, PLACES)[:, None, None] * (b - a)
    at = np.rint(along + np.arange(NEXT_MM, AROUND_MM, STEP_MM)[:, None] * density * outward)
    inside = np.all((at >= 0) & (at < np.array(light.shape[1::-1])), axis=2)
    x, y = np.moveaxis(np.where(inside[..., None], at, 0).astype(int), -1, 0)
    return np.asarray(np.where(inside[..., None], light[y, x], np.nan))
