"""I tell the table from what lies on it: how unlike places of the table each place of a flat view is.

In: a small flat picture, where it surely shows table. Out: strangeness, 0 (like the table) to 1; where nothing breaks
what is seen, though all of the table is broken by its pattern.

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

HALF = 2  # unbroken runs are sought on a view of half the size
RUNS_PX = (12, 17, 24, 34, 48, 68, 96)  # of it; a table on which longer ones are seen has no pattern
LONGER = 1.4  # times a table's longest runs
RUN_LEANS = np.deg2rad([-12, -8, -4, 0, 4, 8, 12])  # of the work's sides
OF_PATTERN, LEAST_EDGE = 0.5, 0.03  # share of the table's steepest slopes, and least slope (logarithm), that break it
MOST_OF_TABLE = 0.002  # that may lie on runs that are too long for it


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


def unbroken(picture: NDArray[np.uint8], table: Mask, keep_out: Mask) -> Mask | None:
    """(h, w) True on straight runs, across or along the view, longer than any on a table that its pattern breaks up.

    So bare paper is told from the light checks of a cloth, which look like it. None where the table has no such
    pattern. Arguments as for `strangeness`; keep_out : True where cards lie or nothing is seen.
    """
    slopes = _slopes(picture)
    edge = max(LEAST_EDGE, OF_PATTERN * float(np.quantile(slopes[table], 0.9)))
    size = (table.shape[1] // HALF, table.shape[0] // HALF)
    free, sure = (
        (cv2.resize(part.astype(np.float32), size, interpolation=cv2.INTER_AREA) == 1).astype(np.uint8)
        for part in ((slopes <= edge) & ~keep_out, table)
    )
    for run in RUNS_PX:
        if np.mean(_runs(free, run)[sure > 0]) < MOST_OF_TABLE:
            longer = _runs(free, round(LONGER * run))
            return np.asarray(cv2.resize(longer, table.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0)
    return None


def _slopes(picture: NDArray[np.uint8]) -> Floats:
    """(h, w) how steeply the logarithm of any channel changes, per px."""
    soft = cv2.GaussianBlur(picture, (0, 0), 1.0).reshape(*picture.shape[:2], -1)
    tones = np.moveaxis(np.log(soft.astype(np.float32) / 255 + DARK), 2, 0)
    ways = [[cv2.Sobel(tone, cv2.CV_32F, *way) / 8 for way in ((1, 0), (0, 1))] for tone in tones]
    return np.asarray(np.max([np.hypot(*each) for each in ways], axis=0), dtype=np.float32)


def _runs(free: NDArray[np.uint8], length: int) -> NDArray[np.uint8]:
    """(h, w) 1 where a straight run of free places of that length lies, as lines across or along the view do."""
    whole = []
    for angle in np.concatenate([RUN_LEANS, RUN_LEANS + np.pi / 2]):
        end = np.rint(length / 2 * np.array([np.cos(angle), np.sin(angle)])).astype(int)
        line = np.zeros(2 * np.abs(end[::-1]) + 1, np.uint8)
        middle = np.abs(end)
        cv2.line(line, [int(v) for v in middle - end], [int(v) for v in middle + end], 1)
        whole.append(cv2.morphologyEx(free, cv2.MORPH_OPEN, line, borderType=cv2.BORDER_CONSTANT, borderValue=0))
    return np.asarray(np.max(whole, axis=0), np.uint8)


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
