"""I lay one small picture of a piece on another's and take away what tells nothing of what both show: slow light, dust,
and what dead cells of a sensor wrote.

In: pictures of two pieces and a motion. Out: `Overlap`, what both show of the same place.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.imaging.transforms import inverse, moved
from stitchbed.matching.robust import robust_sigma

FINE_SIGMA = 4.0  # px of a Gaussian that is as good as a finer one
# What is drawn in one piece only: stronger by half than anything near it in the other, and by more than grain, which
# is taken from the picture itself, 12 gray levels at least and 30 at most.
STRONGER, GRAIN, COARSEST_GRAIN, DEVIATIONS = 1.5, 12.0, 30.0, 3.5
UNSEEN = -128  # in place of a pixel: a scan that broke off shows nothing from there on
# Of a line that a sensor's cell writes from end to end: parts of the length that show it, all but one; gray levels; px
# wide, and as many to where its tone has ended; more such lines are drawn. Every fourth row tells.
CELL_PARTS, CELL_LEVELS, CELL_WIDE, MOST_CELLS, CELL_ROWS = 12, 3.0, 2, 8, 4
# Of such a line, from end to end: px that no cell moves by, and standard errors; share of its depth by which the tones
# of its two sides may differ where it tells of that; parts that must tell.
CELL_MOVES, SURE, LEVEL, LEAST_SHOWN = 0.04, 3.0, 0.3, 5
DEAD = 0.5  # gray levels of 255: no lid and no ink is that black all along a row


@dataclass(frozen=True)
class Layer:
    """A piece made small: pixels (h, w) gray levels above a piece's surroundings, or above a middle gray, or UNSEEN;
    step: full-resolution px per pixel; pixel_mm: mm per pixel."""

    pixels: NDArray[np.int8]
    step: float
    pixel_mm: float


@dataclass(frozen=True)
class Overlap:
    """What two layers show of the same place, in the first one's pixels: here, there (h, w), NaN where the second shows
    nothing; corner: first (row, col) of it in the first layer."""

    here: Floats
    there: Floats
    corner: tuple[int, int]


def overlap_of(b_from_a: Array, one: Layer, two: Layer, rim_mm: float) -> Overlap | None:
    """The second layer in the first one's pixels, both without `rim_mm` at their rims; None where nothing is left."""
    rim = [max(1, round(rim_mm / each.pixel_mm)) for each in (one, two)]
    motion = _small_from_full(two) @ b_from_a @ np.linalg.inv(_small_from_full(one))
    (h, w), (rows, cols) = one.pixels.shape, two.pixels.shape
    low, high = np.array([rim[1], rim[1]]), np.array([cols - 1 - rim[1], rows - 1 - rim[1]])
    frame = np.array([low, (high[0], low[1]), high, (low[0], high[1])], float)
    seen = moved(inverse(motion), frame)
    left, top = (int(k) for k in np.maximum(np.ceil(seen.min(0)), rim[0]))
    right, bottom = (int(k) for k in np.minimum(np.floor(seen.max(0)) + 1, (w - rim[0], h - rim[0])))
    if right - left < 4 or bottom - top < 4 or min(rows, cols) <= 2 * rim[1]:
        return None
    inner = _seen(two.pixels[rim[1] : rows - rim[1], rim[1] : cols - rim[1]])
    into = np.array([[1, 0, -rim[1]], [0, 1, -rim[1]], [0, 0, 1.0]])
    out_of = np.array([[1, 0, left], [0, 1, top], [0, 0, 1.0]])
    flags, size = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, (right - left, bottom - top)
    there = cv2.warpPerspective(inner, into @ motion @ out_of, size, flags=flags, borderValue=float("nan"))
    here = _seen(one.pixels[top:bottom, left:right])
    there = np.where(np.isnan(here), np.float32("nan"), there)
    return Overlap(np.nan_to_num(here), np.asarray(there, np.float32), (top, left))


def _seen(pixels: NDArray[np.int8]) -> Floats:
    """The same as numbers, NaN where nothing is seen."""
    return np.where(pixels == UNSEEN, np.float32("nan"), pixels.astype(np.float32))


def unseen_ends(gray: NDArray[np.float32] | NDArray[np.uint8]) -> Mask:
    """(h, w) True where whole rows or columns are dead black from one side of a piece on: there its scan broke off."""
    unseen = np.zeros(gray.shape, bool)
    for picture, part in ((gray, unseen), (gray.T, unseen.T)):
        first, last = from_ends(picture.max(axis=1) <= DEAD)
        part[:first] = part[len(part) - last :] = True
    return unseen


def unseen_boxes(plain: Layer) -> list[tuple[float, float, float, float]]:
    """Rectangles (left, top, width, height) full-resolution px of a piece that are dead black from a side on, and a
    little more. plain : gray levels above a middle gray, or UNSEEN.
    """
    found: list[tuple[float, float, float, float]] = []
    rows, cols = ((length + 1) * plain.step for length in plain.pixels.shape)  # past the end, whatever was rounded
    for across, lines in ((False, plain.pixels), (True, plain.pixels.T)):
        first, last = from_ends((lines == UNSEEN).all(1))
        # a cell more than is dead: the one between is dead in part
        for dead, start, length in ((first, 0, first + 1), (last, len(lines) - last - 1, last + 2)):
            if 0 < dead < len(lines):
                low, wide = start * plain.step, length * plain.step
                found.append((low, 0.0, wide, rows) if across else (0.0, low, cols, wide))
    return found


def shown_at(layer: Layer, xy: Array) -> NDArray[np.int8]:
    """What a layer has at those of (n, 2) full-resolution px that lie on its piece: as `Layer.pixels`."""
    cols, rows = np.rint((xy + 0.5) / layer.step - 0.5).astype(int).T
    inside = (rows >= 0) & (rows < layer.pixels.shape[0]) & (cols >= 0) & (cols < layer.pixels.shape[1])
    return layer.pixels[rows[inside], cols[inside]]


def without_cells(gray: Floats) -> Floats:
    """A piece (h, w) without the few straight lines that dead cells of its sensor write from its top to its bottom: on
    bare paper such a line would be all that is drawn there, and in one piece only."""
    if len(gray) < CELL_PARTS * CELL_ROWS:
        return gray
    ends = np.linspace(0, len(gray), CELL_PARTS + 1).astype(int)
    spans = [slice(first, end) for first, end in pairwise(ends)]
    parts = np.stack([np.median(gray[span][::CELL_ROWS], axis=0) for span in spans])
    left, right = (np.roll(parts, aside, axis=1) for aside in (CELL_WIDE, -CELL_WIDE))
    depth = parts - (left + right) / 2
    # an edge of the sheet is darker on one side, and so is what lies beside a line
    depth[np.abs(depth) <= np.maximum(np.abs(left - right), CELL_LEVELS)] = 0
    depth[:, :CELL_WIDE] = depth[:, -CELL_WIDE:] = 0
    told = np.abs(np.sign(depth).sum(0)) >= len(parts) - 1
    lines = np.flatnonzero(np.diff(np.concatenate([[0], told.astype(np.int8), [0]]))).reshape(-1, 2)
    if not len(lines) or len(lines) > MOST_CELLS or int(np.diff(lines, axis=1).max()) > CELL_WIDE:
        return gray
    for first, end in lines:
        told[first:end] = not leans(parts, int(first), int(end))
    found = gray.copy()
    for span, own in zip(spans, depth, strict=True):
        found[span, told] -= own[told]
    return found


def leans(parts: Array | Floats, first: int, end: int) -> bool:
    """Whether a dark or light line moves sidewards from the top of a piece to its bottom: it is drawn then, on a sheet
    that lies a little askew. What a cell of the sensor wrote never leaves its column.

    parts : (n, w) gray levels, middle rows of n parts of the piece. The line takes columns `first` to before `end`.
    """
    if first < CELL_WIDE or end - 1 + CELL_WIDE >= parts.shape[1]:
        return False
    left, right = parts[:, first - CELL_WIDE], parts[:, end - 1 + CELL_WIDE]
    own = parts[:, first - 1 : end + 1].astype(np.float64) - (left + right)[:, None] / 2
    depth = own[:, 1:-1].sum(1)
    shown = np.flatnonzero((np.abs(depth) > CELL_LEVELS) & (np.abs(left - right) < LEVEL * np.abs(depth)))
    if len(shown) < LEAST_SHOWN:
        return False
    own = np.maximum(own[shown] * np.sign(depth[shown, None]), 0)
    middle = own @ np.arange(own.shape[1]) / own.sum(1)
    along = (shown - shown.mean()) / (len(parts) - 1)
    power = float(along @ along)
    moves = float(along @ middle) / power
    strays = middle - middle.mean() - moves * along
    error = float(np.sqrt(strays @ strays / (len(shown) - 2) / power))
    return abs(moves) > CELL_MOVES + SURE * error


def from_ends(row: Mask) -> tuple[int, int]:
    """How many of a row (n,) are True from the first on, and from the last back."""
    return (len(row), len(row)) if row.all() else (int(np.argmin(row)), int(np.argmin(row[::-1])))


def leveled(overlap: Overlap, reach: float) -> Overlap:
    """The same without what changes over more than `reach` px, of both by what both show: with a large black shape
    beyond the rim of one of them, each leveled by all of its own would seem to have other tones."""
    both = np.isfinite(overlap.there).astype(np.float32)
    weight = _blurred(both, reach)
    pictures = overlap.here, np.nan_to_num(overlap.there)
    here, there = (one - _blurred(one * both, reach) / np.maximum(weight, np.float32(1e-3)) for one in pictures)
    seen = np.where(both > 0, there, np.float32("nan"))
    return replace(overlap, here=np.asarray(here, np.float32), there=np.asarray(seen, np.float32))


def _blurred(picture: Floats, sigma: float) -> Floats:
    """Blurred by a Gaussian of `sigma` px, made where it is small: what is broad needs few pixels."""
    times = max(1, int(sigma / FINE_SIGMA))
    size = (max(1, picture.shape[1] // times), max(1, picture.shape[0] // times))
    small = cv2.GaussianBlur(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), (0, 0), sigma / times)
    return np.asarray(cv2.resize(small, picture.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _small_from_full(layer: Layer) -> Array:
    """3x3 from full-resolution px to the leveled picture's, pixel centers at whole numbers in both."""
    half = (1 / layer.step - 1) / 2
    return np.array([[1 / layer.step, 0, half], [0, 1 / layer.step, half], [0, 0, 1]])


def without_specks(overlap: Overlap, reach: int, speck: int) -> tuple[float, Overlap]:
    """Share of what is drawn in either that has nothing like it within `reach` px in the other; and the overlap without
    what of that is a speck (at most `speck` px across): dust is no evidence.
    """
    alone, every = _alone(overlap, reach)
    _, labels, stats, _ = cv2.connectedComponentsWithStats((alone > 0).astype(np.uint8), connectivity=8)
    small = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) <= speck
    small[0] = False  # what is no component
    dust = small[labels]
    dirt = float(alone[dust].sum())
    dust = cv2.dilate(dust.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    seen = dust & np.isfinite(overlap.there)
    clean = replace(overlap, here=np.where(dust, np.float32(0), overlap.here), there=overlap.there.copy())
    clean.there[seen] = 0
    return (float(alone.sum()) - dirt) / max(every - dirt, 1e-6), clean


def _alone(overlap: Overlap, reach: int) -> tuple[Floats, float]:
    """(h, w) gray levels drawn in one piece only, and the sum of all that is drawn in either."""
    kernel = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    hole = cv2.dilate(np.isnan(overlap.there).astype(np.uint8), kernel) > 0
    other = np.nan_to_num(overlap.there)
    usual = robust_sigma(overlap.here[~hole]) if not hole.all() else 0.0
    grain = np.float32(np.clip(DEVIATIONS * usual, GRAIN, COARSEST_GRAIN))
    alone, every = np.zeros_like(other), 0.0
    for sign in (np.float32(1), np.float32(-1)):
        a, b = sign * overlap.here, sign * other
        for own, facing in ((a, b), (b, a)):
            drawn = np.maximum(own - grain, 0)
            drawn[hole] = 0
            more = np.maximum(cv2.dilate(facing, kernel), 0) * STRONGER
            alone += np.clip(own - more - grain, 0, drawn)
            every += float(drawn.sum())
    return alone, every
