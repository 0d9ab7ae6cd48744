"""I decide which of several overlapping photos of a work shows which part of it.

In: leveled flat views in linear light, and what each photo sees. Out: `Shares`; rendering blends along their borders.

A photo is best far from its own edge. Between two photos there is a band in which either will do; there the border is
moved to where they agree (watershed, Vincent & Soille 1991). A place that shines in one photo goes to one in which it
does not.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.segmentation import watershed

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.photos.compositing.glare import Shares, shining

BAND_MM = 20.0  # how far a border may wander to where photos agree
EDGE_MM = 2.0  # of a photo's edge never shown where another photo sees the place: filters need neighbors
NEVER = 1e6


def mosaic_shares(
    flats: Sequence[Floats], clipped: Sequence[Mask], seen: Sequence[Mask], density: float
) -> tuple[Shares, Mask]:
    """Shares of each photo, and (h, w) where the chosen photo shines all the same.

    flats : leveled views (h, w, channels). clipped, seen : (h, w) each. density : px/mm.
    """
    light = np.stack([_light(flat, mask) for flat, mask in zip(flats, seen, strict=True)])
    masks = np.stack(seen)
    bad = shining(light, np.stack(clipped), masks, density)
    depth = np.stack([depth_in(mask) / density for mask in seen])
    score = np.where(masks, np.minimum(depth, 1e4) - EDGE_MM, -NEVER)
    score = np.where(masks & bad, score - NEVER / 2, score)
    best = score.argmax(axis=0)
    owner = _moved(best, score, light, density)
    worse = np.take_along_axis(score, owner[None], 0)[0] < np.minimum(score.max(axis=0), 0)
    owner = np.where(worse, best, owner)
    weights = np.stack([owner == index for index in range(len(flats))])
    left = np.take_along_axis(bad & masks, owner[None], 0)[0]
    return Shares(weights.astype(np.float32), density), left


def _light(flat: Floats, seen: Mask) -> Floats:
    """(h, w) soft light; what is not seen does not darken the rim of what is, or the neighbor would seem to shine."""
    mean = np.where(seen, flat.mean(axis=2), 0).astype(np.float32)
    soft, share = (cv2.GaussianBlur(part, (0, 0), 1.0) for part in (mean, seen.astype(np.float32)))
    return np.asarray(soft / np.maximum(share, 1e-6), np.float32)


def depth_in(seen: Mask) -> Array:
    """(h, w) px of a flat view to the nearest place a photo does not see; the view's own edge does not count."""
    if seen.all():
        return np.full(seen.shape, NEVER)
    return np.asarray(cv2.distanceTransform(seen.astype(np.uint8), cv2.DIST_L2, 5), dtype=np.float64)


def _moved(best: NDArray[np.intp], score: Array, light: Floats, density: float) -> NDArray[np.intp]:
    """Owners with borders moved to where the two best photos agree."""
    if len(score) < 2:
        return best
    order = np.sort(score, axis=0)
    sure = (order[-1] - order[-2] > BAND_MM) | (order[-1] < 0)
    markers = np.where(sure, best + 1, 0)
    for index in np.setdiff1d(np.unique(best), np.unique(best[sure])):
        mine = best == index
        lead = (order[-1] - order[-2])[mine]
        markers[mine & ((order[-1] - order[-2]) >= np.quantile(lead, 0.7))] = index + 1
    two = np.argsort(score, axis=0)[-2:]
    pair = np.take_along_axis(light, two, axis=0)
    apart = np.abs(pair[1] - pair[0]) / np.maximum(pair.mean(axis=0), 0.02)
    relief = np.rint(255 * (1 - np.clip(cv2.GaussianBlur(apart, (0, 0), density) / 0.1, 0, 1))).astype(np.int32)
    return np.asarray(watershed(relief, markers), dtype=np.intp) - 1
