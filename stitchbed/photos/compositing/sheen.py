"""I find sheen on paper in a single photo: places softly brighter than the paper round them, which nothing drawn is.

In: a flat view in linear light. Out: where, and by how much. Works without a common paper tone cannot tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.photos.compositing.glare import regions_mm
from stitchbed.photos.compositing.illumination import fit_light, light_at

CELL_MM = 6.0  # places are squares of this side; letters and strokes leave paper within
PAPER = 0.9  # quantile of the light in a place that counts as its paper
LIGHTEST = 0.25  # linear light under which nothing counts as paper
ORDER = 3  # of the light that lies on the work: bends once from side to side, which a lamp's reflection does not
LEAST_LIKE, MOST_SPREAD = 0.6, 0.03  # share of places of one paper tone, and how far these may scatter
BRIGHTER = 0.08  # share by which sheen is brighter; watercolor paper scatters by a third of that
LEAST_CELLS = 4  # one and a half square centimeters
STEEPEST = 0.75  # of its height between neighbors: sheen fades, a white sheet or body color begins at once


@dataclass(frozen=True)
class Sheen:
    """share : of the view. strength : how much brighter than paper it gets. regions : boxes, mm, largest first."""

    share: float
    strength: float
    regions: list[dict[str, float]]


def sheen_on_paper(flat: Floats, density: float) -> Sheen | None:
    """Sheen in a flat view (h, w, channels) of a work at `density` px/mm; None when there is none to be told."""
    paper = _papers(flat, density)
    rows, columns = paper.shape
    y, x = (np.indices(paper.shape) + 0.5) * CELL_MM
    xy = np.stack([x.ravel(), y.ravel()], 1)
    size = (columns * CELL_MM, rows * CELL_MM)
    kinds = ["paper"] * paper.size
    field = fit_light(xy, paper.reshape(-1, 1), kinds, size_mm=size, order=ORDER, source="paper")
    if field is None or field.inliers < LEAST_LIKE or field.residual > MOST_SPREAD:
        return None
    lit = light_at(field, xy)[:, 0].reshape(paper.shape)
    tone = np.median(paper / lit)
    if tone < LIGHTEST:
        return None
    excess = np.asarray(paper / lit / tone - 1)
    mask = _soft_regions(excess)
    if not mask.any():
        return None
    return Sheen(float(mask.mean()), float(excess[mask].max()), regions_mm(mask, 1 / CELL_MM))


def _papers(flat: Floats, density: float) -> Array:
    """(rows, columns) light of the paper in each whole place."""
    side = max(2, round(CELL_MM * density))
    rows, columns = flat.shape[0] // side, flat.shape[1] // side
    gray = flat[: rows * side, : columns * side].mean(axis=2).reshape(rows, side, columns, side)
    return np.asarray(np.quantile(gray, PAPER, axis=(1, 3)), dtype=np.float64)


def _soft_regions(excess: Array) -> Mask:
    """(rows, columns) brighter regions that fade into their surroundings."""
    mask = (excess > BRIGHTER).astype(np.uint8)
    count, labels = cv2.connectedComponents(mask, connectivity=4)
    step = np.zeros(excess.shape)
    bare = np.where(excess > -BRIGHTER / 2, excess, np.nan)  # what is drawn has steps of its own
    for axis in (0, 1):
        across = np.nan_to_num(np.abs(np.diff(bare, axis=axis)))
        first, last = [(0, 0), (0, 0)], [(0, 0), (0, 0)]
        first[axis], last[axis] = (1, 0), (0, 1)
        step = np.maximum(step, np.maximum(np.pad(across, first), np.pad(across, last)))
    kept = np.zeros(excess.shape, np.bool_)
    for label in range(1, count):
        mine = labels == label
        soft = step[mine].max() < STEEPEST * excess[mine].max()
        kept |= mine & bool(soft and np.count_nonzero(mine) >= LEAST_CELLS)
    return kept
