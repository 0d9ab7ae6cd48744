"""I tell a chessboard whose markers cannot be read from a picture without any.

In: a gray picture. Out: whether crossings of dark and light squares, blurred, lie in a lattice; where, beside cards.

Where four squares meet gray values form a saddle, and from one crossing to the next dark and light change sides, and
so does the direction in which the saddle rises. Other patterns of tables do not have that in both directions.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from stitchbed.core.arrays import Array, Bytes, Floats, Indices, Mask

SCALES_PX = (3.0, 5.0, 9.0, 15.0)  # sigma at which crossings are sought: under half a square, over half a marker
LEAST_CONTRAST = 30.0  # gray levels of 255 between dark and light, at least
MOST_CROSSINGS = 1000
NEIGHBORS = 8
LEAST_SQUARE = 2.5  # sigmas: side of squares below which all patterns look like waves
OPPOSITE = -0.6  # cosine of twice the angle between directions of rise of neighbors: -1 where they change sides
NEXT_AWAY = 0.25  # of the distance: how far from its place a crossing may be seen
LEAST_CROSSINGS = 6  # of one lattice, each with all four neighbors; a corner card has 10, chance makes 3
NOISE_PX = 0.7  # sigma of what smooths noise before slopes are looked at
UNREAD_PX = 5.0  # sigma at which boards are sought beside cards that are read
UNREAD_SQUARES = 2.75, 3.3  # how many of that a square is there: 223 of 230 cards were found whose markers were ignored
MOST_CROSSINGS_OF_BOARD = 32  # a corner card has 28; larger lattices are those of tables
LIKE_SQUARE = 0.4  # logarithm, how far squares may differ from the mean of those read: nearer and farther ones
APART_SQUARES = 4.0  # from the middle of a board to corners of others
BLURRED_PX = 1.75  # sigma of edges, those .7 px included, at 1600 px a photo; 1.3 to 1.5 in sharp ones, 2 to 3 blurred


@dataclass(frozen=True)
class _Crossings:
    """xy : (N, 2) px. rise : (N, 2) cosine and sine of twice the direction in which gray values rise."""

    xy: Array
    rise: Array


def shows_blurred_board(gray: Bytes) -> bool:
    """Whether a chessboard is seen in a picture whose edges there are blurred, along its rows or its columns."""
    for scale in SCALES_PX:
        found = _lattices(_crossings(gray, scale), LEAST_SQUARE * scale)
        if found:
            at, steps = max(found, key=lambda one: len(one[0]))
            soft = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), NOISE_PX)
            return float(np.median([_width(soft, *place) for place in zip(at, steps, strict=True)])) > BLURRED_PX
    return False


def unread_boards(gray: Bytes, square_px: float, read: Array) -> list[Array]:
    """(2,) px of the middle of each chessboard with squares of about that size that is of no card read, likest first.

    square_px : mean side of cards' squares. read : (N, 2) px of corners between these.
    """
    boards: list[tuple[float, Array]] = []
    for sigmas in UNREAD_SQUARES:
        share = min(1.0, UNREAD_PX * sigmas / square_px)
        size = (round(gray.shape[1] * share), round(gray.shape[0] * share))
        small = np.asarray(cv2.resize(gray, size, interpolation=cv2.INTER_AREA), np.uint8)
        side = share * square_px
        for at, steps in _lattices(_crossings(small, side / sigmas), LEAST_SQUARE * side / sigmas):
            unlike = abs(float(np.log(np.median(np.linalg.norm(steps, axis=2)) / side)))
            if len(at) <= MOST_CROSSINGS_OF_BOARD and unlike < LIKE_SQUARE:
                boards.append((unlike, at.mean(axis=0) / share))
    taken = [*read]
    for _, middle in sorted(boards, key=lambda one: one[0]):
        if np.linalg.norm(np.array(taken) - middle, axis=1).min() > APART_SQUARES * square_px:
            taken.append(middle)
    return taken[len(read) :]


def _curvatures(gray: Bytes, scale: float) -> tuple[Floats, Floats, Floats]:
    """Second derivatives xx, yy, xy of gray values smoothed by a sigma in px."""
    soft = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), scale)
    dx, dy = np.gradient(soft, axis=1), np.gradient(soft, axis=0)
    return np.gradient(dx, axis=1), np.gradient(dy, axis=0), np.gradient(dx, axis=0)


def _strength(gray: Bytes, scale: float) -> tuple[Floats, tuple[Floats, Floats, Floats]]:
    """How much of a saddle each place is: half the contrast of squares that meet there, were they sharp.

    Two crossing edges of half contrast A, smoothed by s: A erf(x / s 2^.5) erf(y / s 2^.5), whose mixed second
    derivative is 2 A / (pi s^2) in the middle.
    """
    xx, yy, xy = curves = _curvatures(gray, scale)
    saddle = np.sqrt(np.maximum(xy * xy - xx * yy, 0))
    return np.asarray(saddle * np.float32(np.pi / 2 * scale**2), np.float32), curves


def _crossings(gray: Bytes, scale: float) -> _Crossings:
    strength, (xx, yy, xy) = _strength(gray, scale)
    side = 2 * round(scale) + 1
    peaks = (strength >= cv2.dilate(strength, np.ones((side, side), np.uint8))) & (strength > LEAST_CONTRAST / 4)
    y, x = np.nonzero(peaks)
    strongest = np.argsort(-strength[y, x], kind="stable")[:MOST_CROSSINGS]
    y, x = y[strongest], x[strongest]
    rise = np.stack([(xx - yy)[y, x], 2 * xy[y, x]], 1)
    return _Crossings(np.stack([x, y], 1).astype(float), rise / np.maximum(np.linalg.norm(rise, axis=1), 1e-6)[:, None])


def _lattices(found: _Crossings, least_px: float) -> list[tuple[Array, Array]]:
    """Lattices of LEAST_CROSSINGS with four neighbors each: (M, 2) places, (M, 2, 2) steps along and across."""
    paired, steps, near = _paired(found, least_px)
    cosines = np.abs(np.einsum("nik,njk->nij", steps, steps))
    lengths = np.linalg.norm(steps, axis=2)
    cosines = cosines / np.maximum(lengths[:, :, None] * lengths[:, None], 1e-6)
    across = paired[:, :, None] & paired[:, None] & (cosines < 0.5)
    whole = np.flatnonzero(across.any(axis=(1, 2)))
    if not whole.size:
        return []
    first, second = np.unravel_index(across[whole].reshape(len(whole), -1).argmax(axis=1), across.shape[1:])
    ends = np.stack([near[whole, first], near[whole, second]], 1)
    linked = np.isin(ends, whole)
    pairs = (np.repeat(whole, 2)[linked.ravel()], ends[linked])
    size = len(found.xy)
    links = coo_matrix((np.ones(len(pairs[0]), bool), pairs), shape=(size, size))
    _, groups = connected_components(links, directed=False)
    both = np.stack([steps[whole, first], steps[whole, second]], 1)
    of_each = [groups[whole] == group for group in np.unique(groups[whole])]
    return [(found.xy[whole[kept]], both[kept]) for kept in of_each if np.count_nonzero(kept) >= LEAST_CROSSINGS]


def _paired(found: _Crossings, least_px: float) -> tuple[Mask, Array, Indices]:
    """(N, K) True where a crossing lies midway between that neighbor and another, both rising the other way.

    Also the steps (N, K, 2) px to neighbors, and which they are.
    """
    if len(found.xy) <= NEIGHBORS:
        return np.zeros((0, 1), bool), np.zeros((0, 1, 2)), np.zeros((0, 1), np.int64)
    tree = cKDTree(found.xy)
    near = tree.query(found.xy, NEIGHBORS + 1)[1][:, 1:]
    opposite = np.sum(found.rise[near] * found.rise[:, None], axis=2) < OPPOSITE
    steps = found.xy[near] - found.xy[:, None]
    away, at = tree.query((found.xy[:, None] - steps).reshape(-1, 2))
    lengths = np.linalg.norm(steps, axis=2)
    rise = found.rise[at].reshape(*lengths.shape, 2)
    back = (away.reshape(lengths.shape) < NEXT_AWAY * lengths) & (np.sum(rise * found.rise[:, None], axis=2) < OPPOSITE)
    return opposite & back & (lengths > least_px), steps, near


def _width(soft: Floats, at: Array, steps: Array) -> float:
    """Sigma, px, of the steepest edges round a crossing along its rows or columns, whichever are wider."""
    reach = max(3, int(np.linalg.norm(steps, axis=1).max()))
    x, y = at.astype(int)
    part = soft[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
    dy, dx = np.gradient(part)
    height = float(np.ptp(np.quantile(part, (0.05, 0.95))))
    ways = steps / np.linalg.norm(steps, axis=1)[:, None]
    slopes = [np.quantile(np.abs(dx * way[0] + dy * way[1]), 0.98) for way in ways]
    return height / max(float(min(slopes)), 1e-6) / float(np.sqrt(2 * np.pi))
