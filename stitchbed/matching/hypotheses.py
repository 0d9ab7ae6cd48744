"""I match the points of two tiles and let the matches vote for motions.

In: keypoints of two tiles. Out: `Matches`, and the motions most of them agree on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Indices, Mask
from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.transforms import fit_similarity
from stitchbed.matching.features import Keypoints

MOST_GUESSES, PEAKS = 120, 6  # per pair, and per turn: beside a refrain the true motion comes fourth or later


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
    count = min(settings.neighbors + 1, likeness.shape[1])
    near, close = np.zeros((len(likeness), count), np.intp), np.full((len(likeness), count), -np.inf, np.float32)
    best, highest = np.zeros(likeness.shape[1], np.intp), np.full(likeness.shape[1], -np.inf, np.float32)
    _nearest(likeness, near, close, best, highest)
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


@compiled
def _nearest(likeness: Floats, near: Indices, close: Floats, best: Indices, highest: Floats) -> None:
    """Fill columns and values (rows, count) of each row's largest entries, largest first; each column's best row, and
    its value there."""
    last = near.shape[1] - 1
    for row in range(likeness.shape[0]):
        for col in range(likeness.shape[1]):
            value = likeness[row, col]
            if value > highest[col]:
                highest[col], best[col] = value, row
            if value > close[row, last]:
                place = last
                while place > 0 and value > close[row, place - 1]:
                    close[row, place], near[row, place] = close[row, place - 1], near[row, place - 1]
                    place -= 1
                close[row, place], near[row, place] = value, col


def narrowed(
    guess: Array, ends: tuple[Array, Array], matches: Matches, gates: Array, least: int, drift: float = np.inf
) -> tuple[Array, Indices]:
    """A similarity (a, b, tx, ty) fitted to the matches it explains, gate by gate (px), and their indices, ascending.

    ends : where each match starts and ends, (n, 2) px in both tiles. Of several matches that share a point, on either
    side, the nearest counts only. drift : share by which the scale may leave the guess's. No indices when it does, when
    fewer than `least` are left, or all start at one place, which tells no turn.
    """
    params, inside = np.array(guess, np.float64), np.zeros(len(ends[0]), bool)
    expected, nothing = np.hypot(*params[:2]), np.zeros(0, np.intp)
    if not len(inside):
        return params, nothing
    index = matches.index_a, matches.index_b
    room = np.empty(len(inside)), np.empty(index[0].max() + 1, np.intp), np.empty(index[1].max() + 1, np.intp)
    for gate in gates:
        if _explain(params, ends, index, gate, room, inside) < least:
            return params, nothing
        src, dst = ends[0][inside], ends[1][inside]
        if np.abs(src - src[0]).max() < 1:
            return params, nothing
        params = fit_similarity(src, dst, np.ones(len(src)))
        if abs(np.hypot(*params[:2]) / expected - 1) > drift:
            return params, nothing
    return params, np.flatnonzero(inside)


@compiled
def _explain(
    params: Array,
    ends: tuple[Array, Array],
    index: tuple[Indices, Indices],
    gate: float,
    room: tuple[Array, Indices, Indices],
    inside: Mask,
) -> int:
    """Set `inside` for the matches that are the nearest to where the motion puts them, of each point of either tile;
    how many they are.

    room : to work in, for each match, and for each point of either tile.
    """
    (src, dst), (index_a, index_b), (off, nearest_a, nearest_b) = ends, index, room
    for k in range(nearest_a.size):
        nearest_a[k] = -1
    for k in range(nearest_b.size):
        nearest_b[k] = -1
    for i in range(index_a.size):
        inside[i] = False
        x = params[0] * src[i, 0] - params[1] * src[i, 1] + params[2] - dst[i, 0]
        y = params[1] * src[i, 0] + params[0] * src[i, 1] + params[3] - dst[i, 1]
        off[i] = x * x + y * y
        rival = nearest_a[index_a[i]]
        if off[i] < gate * gate and (rival < 0 or off[i] < off[rival]):
            nearest_a[index_a[i]] = i
    for i in nearest_a:
        if i >= 0:
            rival = nearest_b[index_b[i]]
            if rival < 0 or off[i] < off[rival]:
                nearest_b[index_b[i]] = i
    count = 0
    for i in nearest_b:
        if i >= 0:
            inside[i] = True
            count += 1
    return count


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
    return peaks[:MOST_GUESSES]


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
    for _ in range(PEAKS):
        cell_index = int(votes.argmax())
        full = float(votes[cell_index])
        if full < 2:
            break
        inside = np.flatnonzero(flat == cell_index)
        mean = weight[inside] @ shift[inside] / weight[inside].sum()
        found.append((full, np.array([ca, sa, *mean])))
        votes[cell_index] = 0
    return found
