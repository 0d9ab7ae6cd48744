"""I tell where a work's shadow on the table was taken for part of the work, and where the work ends within it.

In: lines in a flat view. Out: the sides that lie farther in, and whether that is sure.

A shadow is the table's own tone, darker by one factor in all channels. It lies along one side or two that meet, and
the work's edge runs along its inner end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.photos.sides.lines import SIDES, Line, corners_of, cover_of, edges_of, sides_through, thickened

WITHIN_PX = np.arange(4, 71)  # of the view: how wide a shadow may be
LEANS_PX = np.arange(-9.0, 10.0, 1.5)  # of its inner end against the outer one, at the side's ends
BEYOND_PX = (6, 14)  # where the table lies beyond the outer end
EDGE_SHARE = 0.6  # of the side along which the inner end must show an edge
FADES_PX, FAINT = 3.5, 0.15  # over which a shadow's outer end fades, from which share, if no cut edge is as soft
DARKER = -0.15  # logarithm of light, in the inner half of a shadow
NO_LIGHTER = 0.05  # anywhere in it
ONE_FACTOR, OF_FACTOR = 0.08, 0.12  # how far channels may differ: always, and for each unit of the logarithm
COLORED = 0.3  # channels of the table that differ by more tell a shadow from a band of another color
LEAST_LIGHT = 0.003  # added before logarithms are taken
PLACES = 100  # along a side
LEAST_SEEN = 0.15  # share of these


@dataclass(frozen=True)
class Shaded:
    """line : the side at the shadow's inner end. sure : nothing but a shadow explains what lies beyond it."""

    line: Line
    sure: bool


def out_of_shadow(picture: NDArray[np.uint8], keep_out: Mask, sides: Mapping[str, Line]) -> dict[str, Shaded]:
    """Of four sides those that a shadow's outer end was taken for.

    picture : (h, w, channels). keep_out : (h, w) True where cards lie or nothing is seen.
    """
    near = thickened(edges_of(picture, keep_out))
    light = np.log((picture.reshape(*picture.shape[:2], -1) / 255) ** 2.2 + LEAST_LIGHT)
    light[keep_out] = np.nan
    corners, found = corners_of(sides), {}
    for index, name in enumerate(SIDES):
        shaded = _shaded(np.roll(corners, -index, axis=0), near[index % 2], ~keep_out, light)
        if shaded is not None:
            moved = corners.copy()
            moved[[index, (index + 1) % 4]], sure = shaded
            found[name] = Shaded(sides_through(moved)[name], sure)
    return {name: one for name, one in found.items() if SIDES[(SIDES.index(name) + 2) % 4] not in found}


def _shaded(corners: Array, near: Mask, visible: Mask, light: Array) -> tuple[Array, bool] | None:
    """Ends (2, 2) of the side from the first corner to the second at its shadow's inner end; None without shadow."""
    a, b = corners[:2]
    inward = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
    tones = _tones(a, b, inward, light, np.arange(-BEYOND_PX[1], WITHIN_PX[-1] + 1))
    table = tones[: BEYOND_PX[1] - BEYOND_PX[0]]
    table = table[np.isfinite(table).all(axis=1)]
    if not len(table):
        return None
    beyond = np.median(table, axis=0)
    darker = tones[BEYOND_PX[1] :] - beyond  # at 0, 1, 2 .. px within
    away, lean = WITHIN_PX[:, None], LEANS_PX
    shown = cover_of(near, visible, a + (away - lean)[..., None] * inward, b + (away + lean)[..., None] * inward)
    along = shown.max(axis=1)
    at = max(
        (k for k in _crests(along) if _is_shadow(darker[1 : WITHIN_PX[k] - 1])), key=along.__getitem__, default=None
    )
    if at is None:
        return None
    turned = LEANS_PX[shown[at].argmax()] * np.array([-1.0, 1.0])
    sure = _fades_px(tones[: BEYOND_PX[1] + WITHIN_PX[at] - 1] - beyond) > FADES_PX or float(np.ptp(beyond)) > COLORED
    return np.array([a, b]) + (WITHIN_PX[at] + turned)[:, None] * inward, bool(sure)


def _crests(share: Array) -> list[int]:
    """Where an edge runs along; of neighbors the best."""
    wide = cv2.dilate(share.reshape(-1, 1), np.ones((7, 1))).ravel()
    return [int(at) for at in np.flatnonzero((share >= EDGE_SHARE) & (share >= wide))]


def _is_shadow(darker: Array) -> bool:
    """Whether tones (px, channels) less those of the table beyond are those of a shadow."""
    if len(darker) < 1 or not np.isfinite(darker).all():
        return False
    spread = np.ptp(darker, axis=1)
    one = spread <= ONE_FACTOR + OF_FACTOR * np.abs(darker.mean(axis=1))
    inner = darker[len(darker) // 2 :]
    return bool(one.mean() > 0.9 and darker.max() < NO_LIGHTER and np.median(inner.mean(axis=1)) < DARKER)


def _fades_px(darker: Array) -> float:
    """Px over which a shadow sets in, from FAINT to nearly all of what it is at its inner end (the last)."""
    share = np.maximum.accumulate(darker.mean(axis=1) / darker[-1].mean())
    faint, full = np.interp([FAINT, 1 - FAINT], share, np.arange(len(share)))
    return float(full - faint)


def _tones(a: Array, b: Array, inward: Array, light: Array, away: NDArray[np.int_]) -> Array:
    """(N, channels) median tones along a line some px `away` (N,) within a side; NaN where too few places are seen."""
    along = a + np.linspace(0.05, 0.95, PLACES)[:, None] * (b - a)
    at = along + away[:, None, None] * inward
    limits = np.array(light.shape[1::-1]) - 1
    inside = np.all((at >= 0) & (at <= limits), axis=2)
    x, y = np.moveaxis(np.where(inside[..., None], np.rint(at), 0).astype(int), -1, 0)
    values = np.where(inside[..., None], light[y, x], np.nan)
    few = np.isfinite(values[..., 0]).mean(axis=1) < LEAST_SEEN
    values[few] = 0.0
    middle = np.nanmedian(values, axis=1)
    middle[few] = np.nan
    return np.asarray(middle)
