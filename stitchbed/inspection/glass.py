"""I find what keeps its place on the glass while the sheet moves: grains of dust, smears such as fingerprints.

In: gray views of several scans of one bed. Out: places in px of the view.

A dark speck is of the glass when most scans show one at the same place. Drawings full of dots do so by chance: how
often is counted with the scans laid beside each other, and there must be more such places than chance explains.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import reduce

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Bytes, Floats, Mask
from stitchbed.core.memory import late
from stitchbed.inspection.looks import Glance
from stitchbed.matching.robust import robust_spread

ndimage, special = late("scipy.ndimage"), late("scipy.special")

SPECK_PX = 7  # of the view; about 1 mm on an A4 piece, more is no grain
LEAST_DEPTH = 7.0  # gray levels a speck is darker than what is around it, in the reduced view
LEVELS = 1.0, 2.5, 6.0  # times LEAST_DEPTH, at each of which a speck may stand alone
CHANCE, MOST_CHANCE = 0.002, 0.3  # that chance brings as many grains; share of them it may have brought
MOST_GRAINS = 300  # on a bed; more are a pattern
TRIALS, MOVED = 8, (97, 53)  # times the scans are laid beside each other, by multiples of so many px
COUNTED = 10  # chance grains of all trials; where fewer were met, their number is taken from those of one scan less
UNMET = 0.5  # chance grains of all trials that none met may still bring
AREAS = 1, 6, 12  # px over which the scans agree: drawn dots that meet by chance seldom do so with all they have
SHARE = 0.6  # of the scans that must show it: under drawn lines it cannot be seen
CELL = 24  # view px of a cell whose likeness is told: a fingerprint on an A4 bed covers some twelve
RIDGES, AROUND = 3.0, 49  # view px: coarser is drawing and light; the surround that says how strong a pattern is
NOISE = 0.6  # gray levels, so that blank paper does not count
HELD = 1.5  # times that strength: lines must not drown a faint pattern
ALIKE, OF_SIX = 0.05, 15.0  # mean correlation of the scans, for as many pairs as six scans make: chance stays below .06
LEAST_OWN = 0.15  # power of a pattern in a cell, of 1 where all of it is calm paper: below it little is seen of it
# View px; gray levels that calm paper differs by within them; times what a calm tenth does.
CALM_PX, CALM_LEAST, CALM_OVER = 7, 10.0, 3.0
CALM_HELD, LIGHT = 2.5, 0.75  # times the usual strength there; of the light of the paper
FAINT_CELLS, FAINT_VIEWS = 4, 8  # cells a side of what is told as a whole; views: more tell no more, and take time
FEW_CELLS = 2  # side by side, are not told as a smear, be they ever so alike
# Over the spread of all places; over what chance brings at most: 27 good sets had up to 1.35, prints that cells do not
# show 1.55 to 3.2.
FAINT_SEEN, FAINT_OVER = 4.0, 1.6
# View px that scans are moved on by, step by step; share of its likeness that a patch has there: true prints up to .42.
NEXT_LINES, ALIKE_AGAIN = (6, 41), 0.6
RIM = 1  # cells along the sides, where a sheet leaves the glass in every scan
LEAST_CELLS, MOST_CELLS = 8, 0.15  # hanging together, chance brings 4; share of the bed: more is a screen's, a sensor's


@dataclass(frozen=True)
class Smear:
    """A patch of the glass: its middle (x, y) and area in px of the view, and how alike the scans are there."""

    x: float
    y: float
    area: float
    likeness: float


@dataclass(frozen=True)
class Grain:
    """Place (x, y) and area of a grain in px of the view, depth in gray levels, and in how many scans it was seen."""

    x: float
    y: float
    area: float
    depth: float
    seen: int


def grains(views: Sequence[Floats]) -> list[Grain]:
    """Grains seen at one place by most of the views (h, w), gray 0..255; at least three views are needed."""
    if len(views) < 3:
        return []
    lone = _agreed([speck_depth(view) for view in views], 3, AREAS[:1])
    return lone or _agreed([_dot_depth(view) for view in views], 1, AREAS)


def _agreed(depths: Sequence[Floats], reach: int, areas: Sequence[int]) -> list[Grain]:
    """Grains that so many scans show, `reach` px wide at least, that chance does not explain how many there are; of the
    first of `areas` over which they must agree that tells any.
    """
    seen = [cv2.dilate(depth, np.ones((reach, reach), np.uint8)) > 0 for depth in depths]
    votes = _votes(seen)
    least = max(3, math.ceil(SHARE * len(seen)))
    if votes.max() < least:
        return []
    best = reduce(np.maximum, depths)
    for area, chances in zip(areas, _chances(seen, least, areas), strict=True):
        for needed, chance in chances:
            found = _found(votes, needed, best, area)
            apart = _apart(found)
            if apart and chance <= MOST_CHANCE * apart and special.pdtrc(apart - 1, chance) <= CHANCE:
                return found
    return []


def _apart(found: Sequence[Grain]) -> int:
    """How many rows, or columns, of grains there are: dust lies anywhere, letters along lines."""
    ways = ([grain.y for grain in found], [grain.x for grain in found])
    return min(1 + int((np.diff(sorted(way)) > SPECK_PX).sum()) for way in ways) if found else 0


def _votes(seen: Iterable[Mask]) -> NDArray[np.uint16]:
    """(h, w) how many of some masks (h, w) are True, one of them in memory at a time."""
    each = iter(seen)
    votes = next(each).astype(np.uint16)
    for one in each:
        votes += one
    return votes


def _found(votes: NDArray[np.uint16], needed: int, best: Floats, least: int) -> list[Grain]:
    """Grains on which `needed` scans agree over `least` px."""
    _, labels, stats, middles = cv2.connectedComponentsWithStats((votes >= needed).astype(np.uint8))
    wide = 1 + np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] >= least)
    found = []
    for index in wide if len(wide) < MOST_GRAINS else ():
        left, top, width, height = stats[index, :4]
        around = slice(top, top + height), slice(left, left + width)
        inside = labels[around] == index
        depths, agreed = best[around][inside], votes[around][inside]
        x, y = middles[index]
        area = max(1.0, float((depths > LEAST_DEPTH).sum()))
        found.append(Grain(float(x), float(y), area, float(depths.max()), int(agreed.max())))
    return found


def smear(views: Sequence[Bytes]) -> Smear | None:
    """The largest patch that the views (h, w) share, gray 0..255; at least three views are needed."""
    if len(views) < 3 or min(views[0].shape) < 4 * CELL:
        return None
    return _sure_smear(views) or _faint_smear(views[:: -(-len(views) // FAINT_VIEWS)])


def _sure_smear(views: Sequence[Bytes]) -> Smear | None:
    """A patch whose cells are each more alike than chance makes them."""
    least = max(ALIKE * math.sqrt(2 * OF_SIX / (len(views) * (len(views) - 1))), ALIKE / 2)
    patterns = [_pattern(view) for view in views]
    likeness = _above(cv2.medianBlur(_likeness(patterns, 0), 3))
    cells = largest_patch(likeness > least)
    if not LEAST_CELLS <= cells.sum() <= MOST_CELLS * cells.size:
        return None
    beside = (_above(cv2.medianBlur(_likeness(patterns, trial), 3)) for trial in range(1, TRIALS))
    chance = max(int(largest_patch(one > least).sum()) for one in beside)
    if cells.sum() < LEAST_CELLS + 2 * chance:  # a regular drawing is alike everywhere
        return None
    return _told(cells, likeness, patterns)


def _faint_smear(views: Sequence[Bytes]) -> Smear | None:
    """A patch as wide as a fingerprint that is more alike on the whole than any is by chance, though few of its cells
    are, by what the paper shows between all that is drawn over it.
    """
    patterns = [_calm_pattern(view) for view in views]

    def likeness(trial: int) -> Floats:
        cells = _above(_likeness(patterns, trial))
        beside = ndimage.rank_filter(cells, -FEW_CELLS - 1, size=3)  # a grain of dust is in one cell, or in two
        return np.asarray(cv2.blur(np.minimum(cells, beside), (FAINT_CELLS, FAINT_CELLS)), np.float32)

    found = likeness(0)
    peak = float(found.max())
    if peak < FAINT_SEEN * float(found.std()):  # most sets end here
        return None
    if peak < FAINT_OVER * max(float(likeness(trial).max()) for trial in range(1, TRIALS)):
        return None
    cells = largest_patch(found > peak / 2)
    return _told(cells, found, patterns) if cells.sum() <= MOST_CELLS * cells.size else None


def _told(cells: Mask, likeness: Floats, patterns: Sequence[Floats]) -> Smear | None:
    """The patch of cells, unless it is as alike with the scans moved on: lines of lettering meet the next ones."""
    moves = [(step * down, step * across) for step in range(*NEXT_LINES) for down, across in ((1, 0), (0, 1))]
    alike = _likeness_of(cells, patterns, (0, 0))
    if max(_likeness_of(cells, patterns, move) for move in moves) > ALIKE_AGAIN * alike:
        return None
    row, col = (float(index.mean()) for index in np.nonzero(cells))
    return Smear((col + 0.5) * CELL, (row + 0.5) * CELL, float(cells.sum()) * CELL**2, float(likeness[cells].mean()))


def usual_sized(looks: Sequence[Glance]) -> list[Glance]:
    """Looks at the pieces that have the usual size in px, and so lay on the same glass."""
    shapes = [look.shape for look in looks]
    usual = max(set(shapes), key=shapes.count)
    return [look for look in looks if look.shape == usual]


def smear_shown(alike: Sequence[Glance]) -> Smear | None:
    """A smear among pieces of one size, none of them the same place scanned again, in px of full size."""
    patch, r = smear([look.gray for look in alike]), alike[0].reduction
    return patch and replace(patch, x=patch.x * r, y=patch.y * r, area=patch.area * r * r)


def _likeness(patterns: Sequence[Floats], trial: int) -> Floats:
    """(rows, cols) mean correlation of the pairs of patterns in cells. trial : they are laid beside each other, by so
    many steps; 0: as they are.
    """
    move = trial * MOVED[0], trial * MOVED[1]
    return _likeness_laid(np.roll(one, (k * move[0], k * move[1]), (0, 1)) for k, one in enumerate(patterns))


def _likeness_of(cells: Mask, patterns: Sequence[Floats], move: tuple[int, int]) -> float:
    """Mean likeness of some cells (rows, cols) of patterns laid beside each other by so many px down and across."""
    rows, cols = (slice(int(at.min()), int(at.max()) + 1) for at in np.nonzero(cells))
    down, across = (np.arange(part.start * CELL, part.stop * CELL) for part in (rows, cols))
    height, width = patterns[0].shape
    laid = (
        one[np.ix_((down - k * move[0]) % height, (across - k * move[1]) % width)] for k, one in enumerate(patterns)
    )
    return float(_likeness_laid(laid)[cells[rows, cols]].mean())


def _likeness_laid(patterns: Iterable[Floats]) -> Floats:
    """(rows, cols) mean correlation of the pairs of patterns in cells."""
    each = iter(patterns)
    total, count = next(each).copy(), 1
    squares = total * total
    for fine in each:
        total += fine
        squares += fine * fine
        count += 1
    rows, cols = squares.shape[0] // CELL, squares.shape[1] // CELL
    parts = (total * total - squares, squares)
    shared, own = (cv2.resize(part, (cols, rows), interpolation=cv2.INTER_AREA).reshape(rows, cols) for part in parts)
    return np.asarray(shared / (count * (count - 1)) / np.maximum(own / count, LEAST_OWN), np.float32)


def _above(likeness: Floats) -> Floats:
    """Likeness above what is usual; none along the rim."""
    above = np.zeros_like(likeness)
    inner = slice(RIM, -RIM), slice(RIM, -RIM)
    above[inner] = likeness[inner] - np.median(likeness)
    return above


def _pattern(view: Bytes) -> Floats:
    """What is finer than RIDGES, of even strength all over, less what a row or a column has throughout: the sensor's,
    or darker and darker toward a lifted side.
    """
    gray = view.astype(np.float32)
    fine = gray - cv2.GaussianBlur(gray, (0, 0), RIDGES)
    strength = np.sqrt(np.maximum(cv2.blur(fine * fine, (AROUND, AROUND)), 0)) + NOISE
    even = np.clip(fine / strength, -HELD, HELD)
    for axis in (1, 0):
        even -= np.median(even, axis=axis, keepdims=True)
    return np.asarray(even, np.float32)


def _calm_pattern(view: Bytes) -> Floats:
    """What is finer than RIDGES on calm light paper, over what most of that has, less what its rows and columns have; 0
    where anything is drawn: its edges are stronger than any print, and on dark tones a print is lighter than they are.
    """
    gray = view.astype(np.float32)
    soft, kernel = cv2.GaussianBlur(gray, (0, 0), 1.0), np.ones((CALM_PX, CALM_PX), np.uint8)
    spread = cv2.dilate(soft, kernel) - cv2.erode(soft, kernel)
    light = gray > LIGHT * float(np.percentile(gray, 90))
    drawn = ~light | (spread > max(CALM_LEAST, CALM_OVER * float(np.percentile(spread, 10))))
    calm = cv2.dilate(drawn.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0
    fine = gray - cv2.GaussianBlur(gray, (0, 0), RIDGES)
    usual = robust_spread(fine[calm]) if calm.any() else 0.0
    even = np.where(calm, np.clip(fine / max(usual, NOISE), -CALM_HELD, CALM_HELD), 0).astype(np.float32)
    for axis in (1, 0):
        even -= np.where(calm, even.sum(axis, keepdims=True) / np.maximum(calm.sum(axis, keepdims=True), 1), 0)
    return even


def largest_patch(cells: Mask) -> Mask:
    """The largest patch of cells that hang together."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(cells.astype(np.uint8), connectivity=8)
    if count < 2:
        return np.zeros_like(cells)
    return np.asarray(labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax()))


def _chances(seen: Sequence[Mask], least: int, areas: Sequence[int]) -> list[list[tuple[int, float]]]:
    """Of each of `areas`: (scans that agree, grains that chance brings then), from `least` scans on; the most of what
    scans moved aside, up and down, and both ways bring: lines of lettering may lie at the same rows in all.
    """
    levels = range(least - 2, len(seen) + 1)
    ways = [_met(seen, levels, areas, move) for move in (MOVED, (0, MOVED[1]), (MOVED[0], 0))]
    chances = [np.max([_extrapolated(met[:, k].tolist()) for met in ways], axis=0) for k in range(len(areas))]
    return [list(zip(levels, column.tolist(), strict=True))[2:] for column in chances]


def _met(seen: Sequence[Mask], levels: Sequence[int], areas: Sequence[int], move: tuple[int, int]) -> Array:
    """(levels, areas) grains of at least such an area on which so many scans agree, of all trials."""
    met = np.zeros((len(levels), len(areas)))
    for trial in range(1, TRIALS + 1):
        votes = _votes(np.roll(one, (trial * i * move[0], trial * i * move[1]), (0, 1)) for i, one in enumerate(seen))
        for row, level in enumerate(levels):
            agreed = votes >= level
            if not agreed.any():
                break
            sizes = np.bincount(cv2.connectedComponents(agreed.astype(np.uint8))[1][agreed])[1:]
            met[row] += [(sizes >= area).sum() for area in areas]
    return met


def _extrapolated(met: Sequence[float]) -> list[float]:
    """Chance grains a trial where one scan more must agree each time. It makes them rarer by the same share at least,
    which those that were met often enough tell.
    """
    chance: list[float] = []
    for count in met:
        if count >= COUNTED or len(chance) < 2:
            chance.append((count + UNMET) / TRIALS)
        else:
            chance.append(chance[-1] * min(1.0, chance[-1] / chance[-2]))
    return chance


def _dot_depth(view: Floats) -> Floats:
    """(h, w) how much darker than what is near in every direction, gray levels, 0 below LEAST_DEPTH: dots, also where
    many are near, and no lines.
    """
    side = SPECK_PX + 2
    ways = np.ones((1, side)), np.ones((side, 1)), np.eye(side), np.fliplr(np.eye(side))
    closed = (cv2.morphologyEx(view, cv2.MORPH_CLOSE, way.astype(np.uint8)) for way in ways)
    depth = reduce(np.minimum, closed) - view
    return np.where(depth > LEAST_DEPTH, depth, 0).astype(np.float32)


def speck_depth(view: Floats, least: float = LEAST_DEPTH, levels: Sequence[float] = LEVELS) -> Floats:
    """(h, w) how much darker than its surround a pixel of a small lone speck is, gray levels; 0 elsewhere, and below
    `least`. levels : times `least`, at which a speck may be lone: grain and faint strokes near it are darker than paper
    too, but lighter than it.

    Lines are darker than their surround too, but are longer than SPECK_PX or touch something that is.
    """
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (SPECK_PX, SPECK_PX))
    depth = cv2.morphologyEx(view, cv2.MORPH_CLOSE, kernel) - view
    around = cv2.morphologyEx(view, cv2.MORPH_CLOSE, np.ones((4 * SPECK_PX,) * 2, np.uint8)) - view
    result: Floats = np.zeros(view.shape, np.float32)
    for level in levels:
        lone = small_parts(around > level * least, SPECK_PX)
        np.copyto(result, depth, where=lone & (depth > level * least))
    return result


def small_parts(mask: Mask, most: int) -> Mask:
    """Those parts of a mask that hang together and are at most so many px wide and high."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    small = (stats[:, cv2.CC_STAT_WIDTH] <= most) & (stats[:, cv2.CC_STAT_HEIGHT] <= most)
    small[0] = False
    return np.asarray(small[labels])
