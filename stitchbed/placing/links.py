"""I match two tiles and keep only what one motion explains.

In: keypoints of two tiles and small views to check with. Out: a `Link`, or a `NoLink` that says why not.

Matches vote for a turn and a shift (the scale is known from dpi, or searched); the best few motions are refined and
then judged by the pictures themselves: the motion under which the views agree most wins. So a repeated motif, which
gives many good matches for a wrong motion, loses to the true one, which also explains everything between the motifs.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.ground.motion import fit_similarity, moved, similarity_matrix
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
class Sight:
    """A small evened view to judge motions with: pixels (h, w) float32, reduction from full resolution."""

    pixels: Floats
    reduction: float


@dataclass(frozen=True)
class Link:
    """Two tiles joined by one motion.

    b_from_a : 3x3 similarity, full-resolution px. xy_a, xy_b : (M, 2) px inliers. sigma : px, spread of the inliers.
    inlier_share : inliers over candidate matches in the overlap. agreement : correlation of the views, -1..1.
    rival : agreement of the best other motion over this one's, 0..1. weak : found by grain or layout only.
    """

    a: str
    b: str
    b_from_a: Array
    xy_a: Array
    xy_b: Array
    sigma: float
    inlier_share: float
    agreement: float
    rival: float
    weak: bool = False


@dataclass(frozen=True)
class NoLink:
    """Why two tiles were not joined."""

    a: str
    b: str
    reason: str
    tried: int


@dataclass(frozen=True)
class _Matches:
    """Candidate matches: indices into both tiles, and a weight (1 clear, less for one of several)."""

    index_a: NDArray[np.intp]
    index_b: NDArray[np.intp]
    weight: Array


def believable(inliers: int, features: int) -> bool:
    """Brown & Lowe's test that a match is not chance: n_i > 8.0 + 0.3 n_f (IJCV 74:59-73, 2007)."""
    return inliers > 8.0 + 0.3 * features


def link(
    a: Keypoints, b: Keypoints, sights: tuple[Sight, Sight], scale: float, settings: LinkSettings
) -> Link | NoLink:
    """Join two tiles.

    scale : expected magnification from a to b (dpi_b / dpi_a).
    """
    if min(len(a.xy), len(b.xy)) < settings.least_inliers:
        return NoLink(a.tile, b.tile, "too little structure to compare", min(len(a.xy), len(b.xy)))
    matches = _match(a, b, settings)
    guesses = _voted(a, b, matches, scale, settings)
    found = [_refined(a, b, matches, guess, settings) for guess in guesses]
    alive = [item for item in found if item is not None]
    if not alive:
        return NoLink(a.tile, b.tile, "no motion explains enough points", len(matches.index_a))
    judged = sorted(((agreement(item[0], sights), i) for i, item in enumerate(alive)), reverse=True)
    best_agreement, best = judged[0]
    if best_agreement < settings.least_agreement:
        return NoLink(a.tile, b.tile, "the pictures do not agree where they would overlap", len(matches.index_a))
    return _link_of(a, b, matches, alive[best], best_agreement, _rival(judged, alive, a))


def scales_seen(a: Keypoints, b: Keypoints, settings: LinkSettings) -> list[float]:
    """Magnifications from a to b worth trying when the declared one fails, from the sizes of matched points.

    A point's size is found to some ten percent, so that the commonest ratio of many is good to a few percent.
    Reference: Lowe, IJCV 60:91-110, 2004 (scale of a keypoint).
    """
    if min(len(a.xy), len(b.xy)) < settings.least_inliers:
        return []
    matches = _match(a, b, settings)
    clear = matches.weight == 1.0
    ratio = np.sort(np.log(b.scale[matches.index_b[clear]] / a.scale[matches.index_a[clear]]).astype(float))
    if not len(ratio):
        return []
    first, last = np.searchsorted(ratio, ratio - 0.12), np.searchsorted(ratio, ratio + 0.12)
    best = int((last - first).argmax())
    if last[best] - first[best] < 2 * settings.least_inliers:
        return []
    middle = float(np.exp(np.median(ratio[first[best] : last[best]])))
    return [middle, middle * 0.96, middle * 1.04]


def agreement(b_from_a: Array, sights: tuple[Sight, Sight]) -> float:
    """Correlation of two evened views over their overlap under a motion; -1 when they hardly overlap."""
    one, two = sights
    small = np.diag([1 / two.reduction, 1 / two.reduction, 1]) @ b_from_a @ np.diag([one.reduction, one.reduction, 1])
    small[:2, 2] += (0.5 / two.reduction - 0.5) + small[:2, :2] @ np.full(2, 0.5 - 0.5 / one.reduction)
    size = one.pixels.shape[::-1]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    there = cv2.warpPerspective(two.pixels, small, size, flags=flags, borderValue=float("nan"))
    both = np.isfinite(there)
    if both.sum() < 0.02 * both.size:
        return -1.0
    x, y = one.pixels[both], there[both]
    x, y = x - x.mean(), y - y.mean()
    return float((x @ y) / np.sqrt(max(float(x @ x) * float(y @ y), 1e-12)))


def _match(a: Keypoints, b: Keypoints, settings: LinkSettings) -> _Matches:
    likeness = a.descriptors @ b.descriptors.T
    count = min(settings.neighbors + 1, likeness.shape[1])
    near = np.argpartition(-likeness, count - 1, axis=1)[:, :count]
    near = np.take_along_axis(near, np.argsort(-np.take_along_axis(likeness, near, 1), axis=1, kind="stable"), 1)
    distance = np.sqrt(np.maximum(2 - 2 * np.take_along_axis(likeness, near, 1), 0))
    mutual = likeness.argmax(0)[near[:, 0]] == np.arange(len(likeness))
    clear = mutual & (distance[:, 0] < settings.ratio * distance[:, min(1, count - 1)])
    several = distance[:, : settings.neighbors] < 1.15 * distance[:, :1] + 0.02
    rows, ranks = np.nonzero(several & ((distance[:, :1] < 0.6) | clear[:, None]))
    weight = np.where(clear[rows] & (ranks == 0), 1.0, 0.3)
    return _Matches(rows, near[rows, ranks], weight)


def _voted(a: Keypoints, b: Keypoints, matches: _Matches, scale: float, settings: LinkSettings) -> list[Array]:
    """The most voted motions (similarity parameters a -> b) over turn and shift."""
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
    return [peak[1] for peak in peaks[:40]]


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
    for cell_index in np.argsort(-votes, kind="stable")[:3]:
        inside = flat == cell_index
        if votes[cell_index] >= 2:
            mean = np.average(shift[inside], axis=0, weights=weight[inside])
            found.append((float(votes[cell_index]), np.array([ca, sa, *mean])))
    return found


def _refined(
    a: Keypoints, b: Keypoints, matches: _Matches, guess: Array, settings: LinkSettings
) -> tuple[Array, NDArray[np.intp]] | None:
    """Fit in narrowing gates; returns (3x3 b_from_a, inlier match indices) or None."""
    src, dst = a.xy[matches.index_a], b.xy[matches.index_b]
    expected = np.hypot(*guess[:2])
    params = guess
    for gate in (10.0, 8.0, 5.0, settings.gate_px, settings.gate_px):
        off = np.hypot(*(moved(similarity_matrix(params), src) - dst).T)
        inside = _one_to_one(matches, off, np.flatnonzero(off < gate * max(a.reduction * expected, b.reduction)))
        if len(inside) < settings.least_inliers or np.ptp(src[inside], axis=0).max() < 1:
            return None  # too few, or all at one place (one point described several times), which tells no turn
        params = fit_similarity(src[inside], dst[inside], np.ones(len(inside)))
        if abs(np.hypot(*params[:2]) / expected - 1) > settings.scale_window:
            return None
    return similarity_matrix(params), inside


def _one_to_one(matches: _Matches, off: Array, inside: NDArray[np.intp]) -> NDArray[np.intp]:
    """Keep each point's nearest match only, on both sides."""
    for side in (matches.index_a, matches.index_b):
        order = inside[np.lexsort((off[inside], side[inside]))]
        inside = np.sort(order[np.append(True, np.diff(side[order]) > 0)]) if len(order) else order
    return inside


def _rival(judged: list[tuple[float, int]], alive: list[tuple[Array, NDArray[np.intp]]], a: Keypoints) -> float:
    """Agreement of the best motion that is truly another one, over that of the winner."""
    best_agreement, best = judged[0]
    corners = np.array([[a.xy.min(0)[0], a.xy.min(0)[1]], a.xy.max(0)])
    home = moved(alive[best][0], corners)
    for score, index in judged[1:]:
        if np.hypot(*(moved(alive[index][0], corners) - home).T).max() > 20 * a.reduction:
            return max(0.0, score / best_agreement)
    return 0.0


def _link_of(
    a: Keypoints,
    b: Keypoints,
    matches: _Matches,
    found: tuple[Array, NDArray[np.intp]],
    agreed: float,
    rival: float,
) -> Link:
    b_from_a, inside = found
    xy_a, xy_b = a.xy[matches.index_a[inside]], b.xy[matches.index_b[inside]]
    off = moved(b_from_a, xy_a) - xy_b
    clear = matches.weight == 1.0
    low, high = xy_a.min(0), xy_a.max(0)
    at = a.xy[matches.index_a]
    near = clear & (at >= low).all(1) & (at <= high).all(1)
    share = float(clear[inside].sum()) / max(1, int(near.sum()))
    sigma = float(1.4826 * np.median(np.abs(off)))
    return Link(a.tile, b.tile, b_from_a, xy_a, xy_b, max(sigma, 0.05), share, agreed, rival)
