"""I match the points of two tiles and let the matches vote for motions.

In: keypoints of two tiles. Out: `Matches`, and the motions most of them agree on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitchbed.placing.features import Keypoints

Array = NDArray[np.float64]
Floats = NDArray[np.float32]


@dataclass(frozen=True)
class LinkSettings:
    """ratio: nearest against second-nearest descriptor distance (Lowe 2004). neighbors: candidates per point that vote.
    cell_px: size of a voting cell at view scale. gate_px: inlier radius at view scale.
    scale_window: how far the scale may be from the declared one before the declared one is doubted.
    least_agreement: correlation of the evened views over the overlap under which a motion is not believed.
    """

    ratio: float = 0.85
    neighbors: int = 3
    cell_px: float = 24.0
    gate_px: float = 3.0
    scale_window: float = 0.04
    least_agreement: float = 0.12
    least_inliers: int = 8


@dataclass(frozen=True)
class Matches:
    """Candidate matches: indices into both tiles, and a weight (1 clear, less for one of several)."""

    index_a: NDArray[np.intp]
    index_b: NDArray[np.intp]
    weight: Array


def match(a: Keypoints, b: Keypoints, settings: LinkSettings) -> Matches:
    """Mutual and near-equal nearest neighbors among the descriptors of two tiles."""
    likeness = a.descriptors @ b.descriptors.T
    best = likeness.argmax(0)
    count = min(settings.neighbors + 1, likeness.shape[1])
    near, close = _largest(likeness, count)
    distance = np.sqrt(np.maximum(2 - 2 * close, 0))
    mutual = best[near[:, 0]] == np.arange(len(likeness))
    sure = mutual & (distance[:, 0] < settings.ratio * distance[:, min(1, count - 1)])
    several = distance[:, : settings.neighbors] < 1.15 * distance[:, :1] + 0.02
    rows, ranks = np.nonzero(several & ((distance[:, :1] < 0.6) | sure[:, None]))
    weight = np.where(sure[rows] & (ranks == 0), 1.0, 0.3)
    return Matches(rows, near[rows, ranks], weight)


def clear(matches: Matches) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Indices into both tiles of points that are each other's nearest, clearly nearer than the next."""
    sure = matches.weight == 1.0
    return matches.index_a[sure], matches.index_b[sure]


def _largest(table: Floats, count: int) -> tuple[NDArray[np.intp], Floats]:
    """Columns and values (rows, count) of each row's largest entries, which `table` loses.

    A few maxima in a row are several times quicker than a partition of whole rows.
    """
    rows = np.arange(len(table))
    columns = np.empty((len(table), count), np.intp)
    values = np.empty((len(table), count), np.float32)
    for k in range(count):
        columns[:, k] = table.argmax(1)
        values[:, k] = table[rows, columns[:, k]]
        table[rows, columns[:, k]] = -np.inf
    return columns, values


def voted(
    a: Keypoints, b: Keypoints, matches: Matches, scale: float, settings: LinkSettings
) -> list[tuple[float, Array]]:
    """The most voted motions (votes, similarity parameters a -> b) over turn and shift, most votes first."""
    turn = b.angle[matches.index_b] - a.angle[matches.index_a]
    step = np.deg2rad(2.0)
    bins = np.floor_divide(np.mod(turn, 2 * np.pi), step).astype(int) % 180
    histogram = np.bincount(bins, matches.weight, 180)
    smooth: Array = np.sum([np.roll(histogram, k) for k in range(-4, 5)], axis=0)
    peaks: list[tuple[float, Array]] = []
    for center in _local_peaks(smooth, 4):
        near = np.abs((bins - center + 90) % 180 - 90) <= 6
        pairs = (a.xy[matches.index_a[near]], b.xy[matches.index_b[near]], matches.weight[near])
        for angle in (np.arange(-4, 5) + center + 0.5) * step:
            peaks.extend(_shift_peaks(pairs, angle, scale, settings.cell_px * a.reduction * scale))
    peaks.sort(key=lambda peak: -peak[0])
    return peaks[:40]


def _local_peaks(histogram: Array, count: int) -> list[int]:
    order = np.argsort(-histogram, kind="stable")
    chosen: list[int] = []
    for index in order:
        if len(chosen) == count or histogram[index] <= 0:
            break
        if all(min(abs(index - c), 180 - abs(index - c)) > 4 for c in chosen):
            chosen.append(int(index))
    return chosen


def _shift_peaks(
    pairs: tuple[Array, Array, Array], angle: float, scale: float, cell: float
) -> list[tuple[float, Array]]:
    """The fullest cells of the shift table at one turn."""
    src, dst, weight = pairs
    ca, sa = scale * np.cos(angle), scale * np.sin(angle)
    shift = dst - np.column_stack([ca * src[:, 0] - sa * src[:, 1], sa * src[:, 0] + ca * src[:, 1]])
    if not len(shift):
        return []
    key = np.floor(shift / cell).astype(np.int64)
    key -= key.min(0)
    width = int(key[:, 0].max()) + 2
    flat = key[:, 1] * width + key[:, 0]
    votes = np.bincount(flat, weight)
    found = []
    for _ in range(3):
        cell_index = int(votes.argmax())
        full = float(votes[cell_index])
        if full < 2:
            break
        inside = np.flatnonzero(flat == cell_index)
        mean = weight[inside] @ shift[inside] / weight[inside].sum()
        found.append((full, np.array([ca, sa, *mean])))
        votes[cell_index] = 0
    return found
