"""I look at a page's paper in small cells, between the lines: what color it has there, and whether pencil shows.

In: a page, its white, the color of its ink. Out: `Cells`, and smooth maps bridged under what is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Floats
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import most_of
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.reduce import reduction_to, shrunk
from stitchbed.page.page import Page, linear
from stitchbed.page.sheet.white import White, over_white
from stitchbed.page.underneath.pencil import LIGHT, Pencil, ratio, remaining

CELL_MM = 0.2  # a firm pencil's point, and finer than the rim of a stain
RIM_MM = 0.06  # round ink, blurred by it
LOOK_DPI = 300.0


@dataclass(frozen=True)
class Cells:
    """light : (gh, gw, c) mean light relative to paper of what is no ink in cells of `cell` px; the first begins at
    `row`, `col` px of the page. weight : (gh, gw) share of the cell that is no ink. q : (gh, gw, n) mean ratio of n
    pencils.
    """

    light: Floats
    weight: Floats
    q: Floats
    row: int
    col: int
    cell: int


def cells_of(
    page: Page, white: White, area: Box, ink: Floats, pencils: Sequence[Pencil] = (), *, workers: int = 1
) -> Cells:
    """The cells of the part `area` of a page."""
    factor = reduction_to(page.dpi, LOOK_DPI)
    side = max(1, round(CELL_MM / MM_PER_INCH * page.dpi / factor))
    cell = side * factor
    high, wide = -(-area.height // cell), -(-area.width // cell)
    rows = max(1, 2**20 // (wide * cell * cell))
    reach = 2 * max(1, round(RIM_MM / MM_PER_INCH * page.dpi / factor)) + 1
    margin = reach * factor

    def strip(first: int) -> Floats:
        count = min(rows, high - first)
        box = Box(area.row + first * cell - margin, area.col - margin,
                  count * cell + 2 * margin, wide * cell + 2 * margin)  # fmt: skip
        light = shrunk(over_white(linear(page, box), white, box), factor)
        return _sums(light, reach, side, ink, pencils)

    parts = list(in_order(strip, range(0, high, rows), workers))
    sums = np.asarray(np.concatenate(parts), np.float32)
    weight = sums[..., 0]
    mean = np.asarray(sums[..., 1:] / np.maximum(weight, 1e-6)[..., None], np.float32)
    return Cells(mean[..., :3], weight, mean[..., 3:], area.row, area.col, cell)


def bridged(values: Floats, weight: Floats, sigma: float) -> Floats:
    """(gh, gw, c) values of cells smoothed by `sigma` cells and carried on where nothing was seen."""
    total = np.zeros_like(values)
    known = np.zeros(weight.shape, np.float32)
    for factor, trust in ((1.0, 1.0), (3.0, 1e-2), (9.0, 1e-4), (27.0, 1e-6)):
        near = cv2.GaussianBlur(weight, (0, 0), sigma * factor, borderType=cv2.BORDER_REFLECT)
        sums = cv2.GaussianBlur(values * weight[..., None], (0, 0), sigma * factor, borderType=cv2.BORDER_REFLECT)
        total += np.float32(trust) * sums.reshape(values.shape)
        known += np.float32(trust) * near
    return np.asarray(total / np.maximum(known, 1e-12)[..., None], np.float32)


def _sums(light: Floats, reach: int, side: int, ink: Floats, pencils: Sequence[Pencil]) -> Floats:
    """(n, m, 4 + p) means over cells: share of what is no ink, its light, its ratio of each pencil.

    `reach` px on all sides of `light` are left out.
    """
    bare = cv2.erode(most_of(light), np.ones((reach, reach), np.uint8)) > LIGHT
    share = remaining(light, ink)
    planes = [np.ones(bare.shape, np.float32), *np.moveaxis(light, 2, 0), *(ratio(share, pencil) for pencil in pencils)]
    core = (slice(reach, light.shape[0] - reach), slice(reach, light.shape[1] - reach))
    means = [shrunk(np.ascontiguousarray((plane * bare)[core], np.float32), side) for plane in planes]
    return np.asarray(np.stack(means, axis=2), np.float32)
