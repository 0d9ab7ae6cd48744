"""I match two tiles and keep only what one motion explains.

In: keypoints of two tiles and small views to check with. Out: a `Link`, or a `NoLink` that says why not.

Matches vote for a turn and a shift (the scale is known from dpi, or searched); the best few motions are refined and
then judged by the pictures themselves: the motion under which the views agree most wins. So a repeated motif, which
gives many good matches for a wrong motion, loses to the true one, which also explains everything between the motifs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.gray import evened
from stitchbed.imaging.reduce import shrunk
from stitchbed.imaging.transforms import inverse, moved, similarity_matrix
from stitchbed.matching.features import Keypoints
from stitchbed.matching.hypotheses import LinkSettings, Matches, clear, match, narrowed, voted
from stitchbed.matching.robust import robust_sigma

SAME_TURN = np.deg2rad(4.0)  # two guesses, their turns voted in steps of 2 degrees, that may refine to one motion
GATES = 10.0, 8.0, 5.0  # view px round a guess, before those of the settings
ANOTHER = 20.0  # view px; motions nearer to each other than this are one
LEAST_SHARED = 0.02  # of a view: under less of it two hardly overlap
SURE, FEW_VOTES = 0.5, 0.25  # correlation that no wrong motion reaches, and share of the best guess's votes


@dataclass(frozen=True)
class Sight:
    """A small evened view to judge motions with: pixels (h, w) float32, reduction from full resolution."""

    pixels: Floats
    reduction: float


def sight_of(gray: Floats, reduction: float, side: int) -> Sight:
    """A sight of a gray view (0..255), its long side about `side` px. reduction : of the view."""
    times = max(1, round(max(gray.shape) / side))
    return Sight(evened(shrunk(gray, times), 12.0, 2.0), float(reduction * times))


@dataclass(frozen=True)
class Link:
    """Two tiles joined by one motion.

    b_from_a : 3x3 similarity, full-resolution px. xy_a, xy_b : (M, 2) px inliers. sigma : px, spread of the inliers.
    agreement : correlation of the views, -1..1.
    rival : agreement of the best other motion over this one's, 0..1. weak : found by grain or layout only.
    probability : that the tiles truly lie so, judged by all they would share; 1 where nobody judged.
    ambiguous : another motion is as probable, as where one motif is repeated.
    by_cells : found without points, by whole pictures; its points are the cells of the overlap that agree.
    said : a person said so, and is believed whatever the pictures show. loose_mm : how far off it may be where nothing
    drawn tells better. slip_mm : how far aside the pieces fit as well, as fine lines do one line farther; 0 where they
    do not. drawn : cells' worth of drawing that they share, 0 where nobody looked; differs : see `Evidence`, infinite
    where that is too little; elsewhere : the same of the best motion that puts them far from there and has them share
    about as much, infinite where there is none.
    """

    a: str
    b: str
    b_from_a: Array
    xy_a: Array
    xy_b: Array
    sigma: float
    agreement: float
    rival: float
    weak: bool = False
    probability: float = 1.0
    ambiguous: bool = False
    said: bool = False
    loose_mm: float = 0.0
    slip_mm: float = 0.0
    by_cells: bool = False
    drawn: float = 0.0
    differs: float = np.inf
    elsewhere: float = np.inf


@dataclass(frozen=True)
class NoLink:
    """Why two tiles were not joined; probability : of the best motion that was not believed."""

    a: str
    b: str
    reason: str
    tried: int
    probability: float = 0.0


@dataclass(frozen=True)
class _Motion:
    """One way to put a on b: 3x3, its inliers, their middle (2,) px in a, and how far the pictures agree under it."""

    b_from_a: Array
    inside: NDArray[np.intp]
    middle: Array
    agreement: float


def believable(inliers: int, features: int) -> bool:
    """Brown & Lowe's test that a match is not chance: n_i > 8.0 + 0.3 n_f (IJCV 74:59-73, 2007)."""
    return inliers > 8.0 + 0.3 * features


def proposals(
    a: Keypoints, b: Keypoints, sights: tuple[Sight, Sight], scale: float, settings: LinkSettings
) -> list[Link] | NoLink:
    """Every motion under which two tiles may hang together, the one under which the pictures agree most first.

    scale : expected magnification from a to b (dpi_b / dpi_a).
    """
    if min(len(a.xy), len(b.xy)) < settings.least_inliers:
        return NoLink(a.tile, b.tile, "too little structure to compare", min(len(a.xy), len(b.xy)))
    matches = match(a, b, settings)
    judged = sorted(_judged(a, b, matches, sights, (scale, settings)), key=lambda one: -one.agreement)
    if not judged:
        return NoLink(a.tile, b.tile, "no motion explains enough points", len(matches.index_a))
    good = [one for one in judged if one.agreement >= settings.least_agreement]
    if not good:
        return NoLink(a.tile, b.tile, "the pictures do not agree where they would overlap", len(matches.index_a))
    return [_link_of(a, b, matches, one, _rival(judged, one, a)) for one in _distinct(good, a)]


def scales_seen(a: Keypoints, b: Keypoints, settings: LinkSettings) -> list[float]:
    """Magnifications from a to b worth trying when the declared one fails, from the sizes of matched points.

    A point's size is found to some ten percent, so that the commonest ratio of many is good to a few percent.
    Reference: Lowe, IJCV 60:91-110, 2004 (scale of a keypoint).
    """
    if min(len(a.xy), len(b.xy)) < settings.least_inliers:
        return []
    index_a, index_b = clear(match(a, b, settings))
    ratio = np.sort(np.log(b.scale[index_b] / a.scale[index_a]).astype(float))
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
    cols, rows = _reached(small, one.pixels.shape, two.pixels.shape)
    here = np.ascontiguousarray(one.pixels[rows, cols])
    if here.size < LEAST_SHARED * one.pixels.size:
        return -1.0
    small[:, 2] += small[:, :2] @ (cols.start, rows.start)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    there = cv2.warpPerspective(two.pixels, small, here.shape[::-1], flags=flags, borderValue=float("nan"))
    found = np.zeros(2)
    _correlate(here, there, found)
    share, likeness = found[0] * here.size / one.pixels.size, found[1]
    return float(likeness) if share >= LEAST_SHARED else -1.0


def _reached(two_from_one: Array, one: tuple[int, ...], two: tuple[int, ...]) -> tuple[slice, slice]:
    """Columns and rows of the first picture that the second, laid on it, may reach; all where the motion is no affine
    one."""
    if two_from_one[2, :2].any():
        return slice(0, one[1]), slice(0, one[0])
    corners = np.array([[-1.0, -1.0], [two[1], -1.0], [-1.0, two[0]], [two[1], two[0]]])
    there = moved(inverse(two_from_one), corners)
    low, high = np.floor(there.min(0)).astype(int), np.ceil(there.max(0)).astype(int) + 1
    spans = [np.clip((first, last), 0, side) for first, last, side in zip(low, high, one[1::-1], strict=True)]
    return slice(*spans[0].tolist()), slice(*spans[1].tolist())


@compiled
def _correlate(one: Floats, two: Floats, found: Array) -> None:
    """Set `found` to the share of two pictures where the second is a number, and their correlation there."""
    count, sum_x, sum_y, sum_xx, sum_yy, sum_xy = 0, 0.0, 0.0, 0.0, 0.0, 0.0
    for row in range(one.shape[0]):
        for col in range(one.shape[1]):
            x, y = float(one[row, col]), float(two[row, col])
            if np.isfinite(y):
                count += 1
                sum_x, sum_y = sum_x + x, sum_y + y
                sum_xx, sum_yy, sum_xy = sum_xx + x * x, sum_yy + y * y, sum_xy + x * y
    found[0] = count / one.size
    if count:
        power = (sum_xx - sum_x * sum_x / count) * (sum_yy - sum_y * sum_y / count)
        found[1] = (sum_xy - sum_x * sum_y / count) / np.sqrt(max(power, 1e-12))


def _judged(
    a: Keypoints, b: Keypoints, matches: Matches, sights: tuple[Sight, Sight], wishes: tuple[float, LinkSettings]
) -> list[_Motion]:
    """The guesses refined and judged; a guess that a motion found before explains is not refined once more.

    Once a motion makes the pictures agree, guesses that hardly anything votes for are not tried any more.
    """
    scale, settings = wishes
    ends = a.xy[matches.index_a], b.xy[matches.index_b]
    found: list[_Motion] = []
    guesses = voted(a, b, matches, scale, settings)
    every = np.array([guess for _, guess in guesses]).reshape(-1, 4)
    explained = np.zeros(len(guesses), bool)
    for number, (votes, guess) in enumerate(guesses):
        if votes < FEW_VOTES * guesses[0][0] and any(one.agreement > SURE for one in found):
            break
        if explained[number]:
            continue
        refined = _refined(matches, ends, guess, (a.reduction, b.reduction), settings)
        if refined is not None:
            motion, inside = refined
            middle = ends[0][inside].mean(0)
            found.append(_Motion(motion, inside, middle, agreement(motion, sights)))
            explained |= _same(every.T, found[-1], 2 * settings.cell_px * b.reduction)
    return found


def _same(guess: Array, known: _Motion, room: float) -> Mask:
    """(N,) True for guesses (4, N) that put the middle of what a motion explains within `room` px of where that puts
    it."""
    x, y = known.middle
    m = known.b_from_a
    off_x = (guess[0] - m[0, 0]) * x - (guess[1] + m[0, 1]) * y + guess[2] - m[0, 2]
    off_y = (guess[1] - m[1, 0]) * x + (guess[0] - m[1, 1]) * y + guess[3] - m[1, 2]
    turn = np.arctan2(guess[1] * m[0, 0] - guess[0] * m[1, 0], guess[0] * m[0, 0] + guess[1] * m[1, 0])
    return np.asarray((np.hypot(off_x, off_y) < room) & (np.abs(turn) < SAME_TURN))


def _refined(
    matches: Matches, ends: tuple[Array, Array], guess: Array, reductions: tuple[int, int], settings: LinkSettings
) -> tuple[Array, NDArray[np.intp]] | None:
    """Fit in narrowing gates; returns (3x3 b_from_a, inlier match indices) or None."""
    expected = float(np.hypot(*guess[:2]))
    gates = np.array([*GATES, settings.gate_px, settings.gate_px]) * max(reductions[0] * expected, reductions[1])
    params, inside = narrowed(guess, ends, matches, gates, settings.least_inliers, settings.scale_window)
    return (similarity_matrix(params), inside) if len(inside) else None


def _distinct(judged: Sequence[_Motion], a: Keypoints) -> list[_Motion]:
    """The motions without those that one before them is: several guesses may lead to the same."""
    kept: list[_Motion] = []
    for one in judged:
        if all(_another(one, other, a) for other in kept):
            kept.append(one)
    return kept


def _another(one: _Motion, two: _Motion, a: Keypoints) -> bool:
    """True where two motions put some corner of what is drawn in a apart."""
    corners = np.array([a.xy.min(0), a.xy.max(0)])
    off = moved(one.b_from_a, corners) - moved(two.b_from_a, corners)
    return bool(np.hypot(*off.T).max() > ANOTHER * a.reduction)


def _rival(judged: Sequence[_Motion], best: _Motion, a: Keypoints) -> float:
    """Agreement of the best motion that is truly another one, over that of the winner."""
    others = [one.agreement for one in judged if _another(one, best, a)]
    return max(0.0, max(others, default=0.0) / best.agreement)


def _link_of(a: Keypoints, b: Keypoints, matches: Matches, best: _Motion, rival: float) -> Link:
    inside = best.inside
    xy_a, xy_b = a.xy[matches.index_a[inside]], b.xy[matches.index_b[inside]]
    off = moved(best.b_from_a, xy_a) - xy_b
    sigma = robust_sigma(off)
    return Link(a.tile, b.tile, best.b_from_a, xy_a, xy_b, max(sigma, 0.05), best.agreement, rival)
