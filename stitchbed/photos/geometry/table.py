"""I tell the table from what lies on it: how unlike places of the table each place of a flat view is.

In: a small flat picture, where it surely shows table. Out: strangeness, 0 (like the table) to 1.

Places are small patches, described by tone, color and grain; a patch is as strange as it is far from all patches of the
sure part, measured by how far these are from each other. Reference: Tarassenko et al. (1995), "Novelty detection".
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.matching.robust import cauchy_weights, robust_sigma
from stitchbed.photos.compositing.illumination import polynomial

PATCH_PX = 7  # of a view of some 1100 px: 4 to 6 mm
STEP_PX = 2  # between patches
BLOCK_PX = 48  # patches of one block are not compared with each other: neighbors are always alike
MOST_SAMPLES = 4000
NEAREST = 3
LEAST_SPREAD = (0.05, 0.04, 0.04, 0.25)  # tone, two colors, grain, as logarithms: less is noise
DARK = 0.04  # stored value added before logarithms are taken
QUANTILE = 0.97  # of the distances between places of the table: what counts as like it
LIGHT_ORDER = 2  # of the polynomial by which light falls on the table
FEWEST = 120
FAR_SHARE = 0.25  # of the view's longer side: a table is like itself that far away, what reaches the rim once is not
COMPARED = 1500  # places for that
LEAST_ONCE = 0.01  # share of places that no far one is like; fewer change no outline


def strangeness(picture: NDArray[np.uint8], table: Mask, *, seen_once: bool = True) -> Floats | None:
    """(h, w) 0..1, or None when too little table is sure. picture : (h, w, channels). table : True where it is sure.

    seen_once : whether places count as table that no place far from them is like; None also when there are hardly any.
    """
    shape = table.shape
    described = _described(picture)
    spots = (slice(PATCH_PX // 2, None, STEP_PX),) * 2
    sure = np.asarray(cv2.erode(table.astype(np.uint8), np.ones((PATCH_PX, PATCH_PX), np.uint8)) > 0)[spots]
    if np.count_nonzero(sure) < FEWEST:
        return None
    y, x = np.nonzero(sure)
    features = described[spots]
    features = _evened(features, (x, y))
    spread = np.maximum(LEAST_SPREAD[: features.shape[2]], 0.5 * features[y, x].std(axis=0))
    scaled = features / spread
    known = scaled[y, x]
    keep = np.linspace(0, len(known) - 1, min(MOST_SAMPLES, len(known))).astype(int)
    blocks = (y[keep] * STEP_PX // BLOCK_PX) + (x[keep] * STEP_PX // BLOCK_PX)
    usual = _usual_distance(known[keep], blocks % 2 == 0)
    if not seen_once:
        again = _seen_again(known[keep], np.stack([x[keep], y[keep]], 1) * STEP_PX / max(shape), usual)
        if np.mean(~again) < LEAST_ONCE or again.sum() < FEWEST:
            return None
        keep = keep[again]
    most = NEAREST * 2 * usual  # one neighbor as far makes the mean strange beyond doubt
    places = scaled.reshape(-1, scaled.shape[2])
    away = cKDTree(known[keep]).query(places, k=NEAREST, distance_upper_bound=most)[0].mean(axis=1)
    strange = np.clip(away.reshape(scaled.shape[:2]) / usual - 1, 0, 1).astype(np.float32)
    full = cv2.resize(strange, (strange.shape[1] * STEP_PX, strange.shape[0] * STEP_PX), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.copyMakeBorder(full, *_rims(full.shape, shape), cv2.BORDER_REPLICATE))[: shape[0], : shape[1]]


def _described(picture: NDArray[np.uint8]) -> Array:
    """(h, w, features) of the patch round each pixel: log tone, log colors, log of how grainy it is."""
    values = np.log(picture.reshape(*picture.shape[:2], -1).astype(np.float32) / 255 + DARK)
    tone = values.mean(axis=2)
    mean, square = (cv2.blur(part, (PATCH_PX, PATCH_PX)) for part in (tone, tone**2))
    grain = np.log(np.sqrt(np.maximum(square - mean**2, 0)) + 0.03)
    colors = [cv2.blur(values[..., c] - values[..., 1], (PATCH_PX, PATCH_PX)) for c in (0, 2) if values.shape[2] >= 3]
    if not colors:
        colors = [np.zeros_like(mean)] * 2
    return np.stack([mean, *colors, grain], axis=2).astype(np.float64)


def _evened(features: Array, at: tuple[NDArray[np.intp], NDArray[np.intp]]) -> Array:
    """Features whose tone lost what a smooth light does to the table; robust against tones of its pattern."""
    x, y = at
    h, w = features.shape[:2]
    half = np.array([w, h]) / 2
    design = polynomial(np.stack([x, y], 1) / half - 1, LIGHT_ORDER)
    tone = features[y, x, 0]
    weights = np.ones(len(tone))
    light = np.zeros(design.shape[1])
    for _ in range(6):
        light = np.linalg.lstsq(design * weights[:, None], tone * weights, rcond=None)[0]
        away = np.abs(tone - design @ light)
        weights = np.sqrt(cauchy_weights((away / (robust_sigma(away) + 0.02)) ** 2, 1.0))
    grid = np.stack([axis.ravel() for axis in np.meshgrid(np.arange(w), np.arange(h))], 1) / half - 1
    evened = features.copy()
    evened[..., 0] -= (polynomial(grid, LIGHT_ORDER) @ light).reshape(h, w)
    return evened


def _seen_again(known: Array, at: Array, usual: float) -> NDArray[np.bool_]:
    """(N,) True for places (N, features) that others like them are far away from. at : (N, 2) shares of the view."""
    some = np.linspace(0, len(known) - 1, min(COMPARED, len(known))).astype(int)
    alike = cdist(known, known[some]) < usual
    return np.asarray(np.any(alike & (cdist(at, at[some]) > FAR_SHARE), axis=1))


def _usual_distance(known: Array, even: NDArray[np.bool_]) -> float:
    """Between places of the table that are not neighbors."""
    if min(np.count_nonzero(even), np.count_nonzero(~even)) < NEAREST:
        return 1.0
    ways = [(known[even], known[~even]), (known[~even], known[even])]
    away = [cKDTree(a).query(b, k=NEAREST)[0].mean(axis=1) for a, b in ways]
    return max(0.5, float(np.quantile(np.concatenate(away), QUANTILE)))


def _rims(small: tuple[int, ...], shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    """Rows and columns to add (top, bottom, left, right), so that patches lie over their middles again."""
    first = PATCH_PX // 2
    return first, max(0, shape[0] - small[0] - first), first, max(0, shape[1] - small[1] - first)
