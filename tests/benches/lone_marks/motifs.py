"""I draw what comes again on pages of many kinds: single dots, ticks, dotted lines, lines that wander.

In: a sheet, a generator, sizes in mm, angles in rad. Out: marks on the sheet; points (n, 2) mm.
"""

from __future__ import annotations

import numpy as np
from lone_marks.sheets import SIDE, Sheet, dot, line
from numpy.typing import ArrayLike

from stitchbed.core.arrays import Array

FINEST = 0.1  # mm, the finest mark a page is drawn with
TURN = 2 * np.pi


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """As many between 1 and 2 as between 2 and 4."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def somewhere(rng: np.random.Generator, margin: float, far: float | None = None) -> Array:
    """(2,) a place on the sheet; margin : left free at its top and left; far : at its right and bottom."""
    return rng.uniform(margin, SIDE - (margin if far is None else far), 2)


def toward(angle: ArrayLike) -> Array:
    """(..., 2) unit steps."""
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def wander(rng: np.random.Generator, start: ArrayLike, length: float, *, points: int = 30, bend: float = 0.15) -> Array:
    """(points, 2) of a line of `length` mm that turns by about `bend` at each point."""
    heading = rng.uniform(0, TURN) + np.cumsum(rng.normal(0, bend, points))
    return np.asarray(start) + np.cumsum(toward(heading), axis=0) * length / points


def spaced(points: Array, least: float) -> Array:
    """Those of the points, in their order, that lie `least` mm or more from all that were taken before."""
    taken: list[Array] = []
    for point in points:
        if not taken or np.hypot(*(np.array(taken) - point).T).min() >= least:
            taken.append(point)
    return np.array(taken).reshape(-1, 2)


def tick(sheet: Sheet, start: Array, length: float, *, angle: float, width: float) -> None:
    """A short straight stroke."""
    line(sheet, [start, start + length * toward(angle)], width)


def lone_mark(
    sheet: Sheet, rng: np.random.Generator, at: Array, *, dots: float, largest: float, lengths: tuple[float, float]
) -> None:
    """A dot up to `largest` with a chance of `dots`, else a tick."""
    if rng.random() < dots:
        dot(sheet, at, log_uniform(rng, FINEST, largest))
    else:
        tick(sheet, at, rng.uniform(*lengths), angle=rng.uniform(0, TURN), width=rng.uniform(FINEST, 0.22))


def single_dots(sheet: Sheet, rng: np.random.Generator, count: int, *, largest: float, white: bool = False) -> None:
    """Dots all over the sheet."""
    for _ in range(count):
        dot(sheet, somewhere(rng, 3), log_uniform(rng, FINEST, largest), white=white)


def dotted_line(
    sheet: Sheet, rng: np.random.Generator, *, length: float, points: int, bend: float, uneven: float = 0.1
) -> None:
    """A row of dots of about one size; uneven : share by which a dot may be larger or smaller."""
    size = rng.uniform(FINEST, 0.24)
    for at in wander(rng, somewhere(rng, 6), length, points=points, bend=bend):
        dot(sheet, at, size * rng.uniform(1 - uneven, 1 + uneven))
