"""I find grains of dust that keep their place on the glass while the sheet moves.

In: gray views of several scans of one bed. Out: places in px of the view.

A dark speck is of the glass when most scans show one at the same place. Drawings full of dots do so by chance: how
often is counted with the scans laid beside each other, and there must be more such places than chance explains.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import reduce

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.core.memory import late

special = late("scipy.special")

SPECK_PX = 7  # of the view; about 1 mm on an A4 piece, more is no grain
LEAST_DEPTH = 7.0  # gray levels a speck is darker than what is around it, in the reduced view
DARK_SHEET = 56.0  # gray levels of most of what is seen; dust is about 80
LEVELS = 1.0, 2.5, 6.0  # times LEAST_DEPTH, at each of which a speck may stand alone
CHANCE, MOST_CHANCE = 0.002, 0.3  # that chance brings as many grains; share of them it may have brought
MOST_GRAINS = 300  # on a bed; more are a pattern
TRIALS, MOVED = 8, (97, 53)  # times the scans are laid beside each other, by multiples of so many px
COUNTED = 10  # chance grains of all trials; where fewer were met, their number is taken from those of one scan less
UNMET = 0.5  # chance grains of all trials that none met may still bring
AREAS = 1, 6, 12  # px over which the scans agree: drawn dots that meet by chance seldom do so with all they have
SHARE = 0.6  # of the scans that must show it: under drawn lines it cannot be seen


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
    if float(np.median([np.median(view) for view in views])) < DARK_SHEET:
        views = [255 - view for view in views]  # on black board dust is what is light
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
        deep = depth > level * least
        if deep.any():
            np.copyto(result, depth, where=small_parts(around > level * least, SPECK_PX) & deep)
    return result


def small_parts(mask: Mask, most: int) -> Mask:
    """Those parts of a mask that hang together and are at most so many px wide and high."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    small = (stats[:, cv2.CC_STAT_WIDTH] <= most) & (stats[:, cv2.CC_STAT_HEIGHT] <= most)
    small[0] = False
    return np.asarray(small[labels])
