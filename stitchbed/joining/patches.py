"""I look at all tiles at a few millimeters per cell, in linear light, on a common grid of the canvas.

In: small linear pictures of the tiles and where they lie. Out: `Patches`, the raw material for lift and levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.joining.canvas import Canvas
from stitchbed.placing.placement import Placement, from_sheet

Array = NDArray[np.float64]
Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Small:
    """A tile at cell size: light (h, w, c) linear means, unrest (h, w) relative spread inside each cell, cell px."""

    light: Floats
    unrest: Floats
    cell: float


@dataclass(frozen=True)
class Patches:
    """What every tile sees at every grid point.

    xy : (P, 2) canvas px. seen : (T, P) bool. light : (T, P, C) linear. unrest : (T, P). at : (T, P, 2) tile px.
    """

    xy: Array
    seen: NDArray[np.bool_]
    light: Array
    unrest: Array
    at: Array


def small_of(linear: Floats, reduction: int, cells_px: float) -> Small:
    """Average a linear view (h, w, c) at `reduction` into cells of about `cells_px` full-resolution px."""
    step = max(1, round(cells_px / reduction))
    h, w = max(1, linear.shape[0] // step), max(1, linear.shape[1] // step)
    crop = linear[: h * step, : w * step] if h * step <= linear.shape[0] and w * step <= linear.shape[1] else linear
    mean = cv2.resize(crop, (w, h), interpolation=cv2.INTER_AREA).reshape(h, w, -1)
    square = cv2.resize(crop * crop, (w, h), interpolation=cv2.INTER_AREA).reshape(h, w, -1)
    spread = np.sqrt(np.maximum(square - mean * mean, 0)).mean(2) / np.maximum(mean.mean(2), 1e-3)
    return Small(mean, spread.astype(np.float32), float(step * reduction))


def look(places: Sequence[Placement], smalls: Sequence[Small], canvas: Canvas, spacing: float) -> Patches:
    """Sample all tiles (`places` on the canvas) at canvas points `spacing` px apart; only points two tiles see are kept."""
    xs, ys = np.arange(spacing / 2, canvas.width, spacing), np.arange(spacing / 2, canvas.height, spacing)
    xy = np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2)
    at = np.stack([from_sheet(place, xy) for place in places])
    seen = np.stack([_inside(points, place.size, small.cell) for points, place, small in zip(at, places, smalls, strict=True)])
    shared = seen.sum(0) >= 2
    xy, at, seen = xy[shared], at[:, shared], seen[:, shared]
    channels = smalls[0].light.shape[2]
    light = np.zeros((*seen.shape, channels))
    unrest = np.zeros(seen.shape)
    for i, small in enumerate(smalls):
        light[i, seen[i]] = sample(small.light, at[i, seen[i]], small.cell)
        unrest[i, seen[i]] = sample(small.unrest[..., None], at[i, seen[i]], small.cell)[:, 0]
    return Patches(xy, seen, light, unrest, at)


def sample(picture: NDArray[np.floating], xy: Array, cell: float) -> Array:
    """Bilinear values (N, c) of a cell picture (h, w, c) at full-resolution points (N, 2) px."""
    h, w = picture.shape[:2]
    col = np.clip((xy[:, 0] + 0.5) / cell - 0.5, 0, w - 1)
    row = np.clip((xy[:, 1] + 0.5) / cell - 0.5, 0, h - 1)
    c, r = np.minimum(col.astype(int), max(w - 2, 0)), np.minimum(row.astype(int), max(h - 2, 0))
    fx, fy = (col - c)[:, None], (row - r)[:, None]
    c1, r1 = np.minimum(c + 1, w - 1), np.minimum(r + 1, h - 1)
    top = picture[r, c] * (1 - fx) + picture[r, c1] * fx
    bottom = picture[r1, c] * (1 - fx) + picture[r1, c1] * fx
    result: Array = top * (1 - fy) + bottom * fy
    return result


def _inside(xy: Array, size: tuple[int, int], cell: float) -> NDArray[np.bool_]:
    """True where the cell around a tile point lies whole inside the tile."""
    h, w = size
    half = cell / 2
    result: NDArray[np.bool_] = (xy > half).all(1) & (xy[:, 0] < w - 1 - half) & (xy[:, 1] < h - 1 - half)
    return result
