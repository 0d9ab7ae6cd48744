"""I read color patches out of a picture: the mean light of each, and whether it can be trusted.

In: where each patch lies in the picture (its four corners, px), a way to read windows. Out: one `PatchReading`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.card.board import Patch
from stitchbed.card.cgats import References
from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings
from stitchbed.imaging.box import Box, clipped, spanning
from stitchbed.imaging.transfer import Transfer, to_linear

INNER = 0.6  # share of a patch's sides that is read: its rim mixes with the neighbors
CLIP_HIGH, CLIP_LOW = 0.992, 0.0005  # share of full scale: stored values beyond are cut off by the sensor or the file
MOST_CLIPPED = 0.02  # share of a patch's pixels
MOST_UNEVEN = 0.08  # largest distance of a quarter's median from the whole's, over the mean; a 2:1 light leaves .03
DARK = 0.02  # linear light: darker patches are judged by this, not by their own mean
LEAST_PX = 12  # pixels read in a patch


@dataclass(frozen=True)
class PatchReading:
    """names : of the patches that were seen whole. light, spread : (P, channels) linear mean and standard deviation.

    clipped : (P,) share of pixels cut off. uneven : (P,) how far its quarters differ, over the mean, worst channel.
    """

    names: tuple[str, ...]
    light: Array
    spread: Array
    clipped: Array
    uneven: Array

    @property
    def good(self) -> NDArray[np.bool_]:
        """(P,) neither clipped nor uneven."""
        return np.asarray((self.clipped <= MOST_CLIPPED) & (self.uneven <= MOST_UNEVEN))


def patch_corners(patch: Patch) -> Array:
    """(4, 2) card mm: top left, top right, bottom right, bottom left."""
    x, y, w, h = patch.x, patch.y, patch.width, patch.height
    return np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], dtype=np.float64)


def read_patches(
    corners: Mapping[str, Array], window: Callable[[Box], NDArray[Any]], size: tuple[int, int], transfer: Transfer
) -> PatchReading:
    """Read the inner part of each patch; patches that leave the picture or are too small are passed over.

    corners : name -> (4, 2) px. window : stored pixels (h, w, channels) of a box. size : (height, width) px.
    """
    rows = []
    for name, quad in corners.items():
        middle = quad.mean(0)
        inner = middle + INNER * (quad - middle)
        seen = _inside(inner, window, size)
        if seen is not None and len(seen[0]) >= LEAST_PX:
            rows.append((name, *_summary(*seen, transfer)))
    if not rows:
        none = np.empty((0, 1))
        return PatchReading((), none, none, np.empty(0), np.empty(0))
    names, light, spread, clipped_share, uneven = zip(*rows, strict=True)
    return PatchReading(names, np.stack(light), np.stack(spread), np.array(clipped_share), np.array(uneven))


def joined(readings: list[PatchReading]) -> PatchReading:
    """Readings of several cards as one."""
    full = [reading for reading in readings if reading.names]
    if not full:
        return readings[0]
    names = tuple(name for reading in full for name in reading.names)
    stack = [np.concatenate([getattr(r, key) for r in full]) for key in ("light", "spread", "clipped", "uneven")]
    return PatchReading(names, *stack)


def _inside(
    quad: Array, window: Callable[[Box], NDArray[Any]], size: tuple[int, int]
) -> tuple[NDArray[Any], NDArray[np.intp]] | None:
    """(N, channels) stored pixels inside a quadrilateral and in which quarter (N,); None when it leaves the picture."""
    low, high = np.floor(quad.min(0)).astype(int), np.ceil(quad.max(0)).astype(int) + 1
    box = spanning(int(low[1]), int(low[0]), int(high[1]), int(high[0]))
    if box.empty or clipped(box, Box(0, 0, *size)) != box:
        return None
    mask = np.zeros((box.height, box.width), np.uint8)
    cv2.fillConvexPoly(mask, np.rint((quad - low) * 256).astype(np.int32), 1, cv2.LINE_8, 8)
    y, x = np.nonzero(mask)
    middle = quad.mean(0) - low
    quarter = (2 * (y > middle[1]) + (x > middle[0])).astype(np.intp)
    return np.asarray(window(box)[y, x]), quarter


def _summary(stored: NDArray[Any], quarter: NDArray[np.intp], transfer: Transfer) -> tuple[Array, Array, float, float]:
    """Mean and spread without the outermost tenth (dust, glints), share clipped, unevenness."""
    top = float(np.iinfo(stored.dtype).max)
    share = stored / top
    cut = float(np.mean((share >= CLIP_HIGH).any(axis=1) | (share <= CLIP_LOW).all(axis=1)))
    light = np.asarray(to_linear(np.ascontiguousarray(stored), transfer), dtype=np.float64)
    away = np.abs(light - np.median(light, axis=0)).max(axis=1)
    calm = light[away <= np.quantile(away, 0.9)]
    mean = np.asarray(calm.mean(0), dtype=np.float64)
    whole = np.median(light, axis=0)
    parts = [np.abs(np.median(light[quarter == one], axis=0) - whole) for one in range(4) if np.any(quarter == one)]
    uneven = float((np.max(parts, axis=0) / np.maximum(mean, DARK)).max())
    return mean, np.asarray(light.std(0), dtype=np.float64), cut, uneven


def chart_places(references: References) -> dict[str, Array]:
    """Patch -> (4, 2) corners in a unit square whose corners are those of the patch field.

    Places in mm from the file if it has them, else a grid from names such as A1 .. L22 (row letter, column number; gray
    steps GS0 .. that lie outside of the grid are left out).

    Raises
    ------
    BadSettings : no places, and names that make no full grid.
    """
    if references.places:
        return _by_millimeters(references.places)
    cells = _grid(references.lab)
    rows = sorted({row for row, _ in cells.values()})
    columns = sorted({column for _, column in cells.values()})
    if not cells or len(rows) * len(columns) != len(cells):
        raise _no_layout(references)
    h, w = 1 / len(rows), 1 / len(columns)
    return {name: _box(columns.index(c) * w, rows.index(r) * h, w, h) for name, (r, c) in cells.items()}


def in_picture(places: Mapping[str, Array], corners: Array) -> dict[str, Array]:
    """Unit-square places through four picture corners (4, 2) px: top left, top right, bottom right, bottom left."""
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
    matrix = np.asarray(cv2.getPerspectiveTransform(unit, corners.astype(np.float32)), dtype=np.float64)
    moved = {}
    for name, quad in places.items():
        w = quad @ matrix[2, :2] + matrix[2, 2]
        moved[name] = (quad @ matrix[:2, :2].T + matrix[:2, 2]) / w[:, None]
    return moved


def _by_millimeters(places: Mapping[str, Array]) -> dict[str, Array]:
    boxes = np.stack(list(places.values()))
    low = boxes[:, :2].min(0)
    span = (boxes[:, :2] + boxes[:, 2:]).max(0) - low
    return {name: _box(*((box[:2] - low) / span), *(box[2:] / span)) for name, box in places.items()}


def _grid(lab: Mapping[str, Array]) -> dict[str, tuple[str, int]]:
    """Name -> (row letters, column) of names like A1; gray steps GS.. do not count."""
    cells = {}
    for name in lab:
        match = re.fullmatch(r"([A-Z]{1,2}?)(\d{1,3})", name)
        if match and match[1] != "GS":
            cells[name] = (match[1].rjust(2), int(match[2]))
    return cells


def _box(x: float, y: float, w: float, h: float) -> Array:
    return np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], dtype=np.float64)


def _no_layout(references: References) -> BadSettings:
    names = ", ".join(list(references.lab)[:8])
    return BadSettings(
        f"{references.title} does not say where its patches lie ({names} ...)",
        expected="columns X_MM Y_MM W_MM H_MM, or patch names that make a full grid such as A1 .. L22",
        attempt="add the four columns to the file, in mm from the chart's top left corner",
    )
