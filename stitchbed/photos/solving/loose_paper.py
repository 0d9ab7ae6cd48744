"""I tell how errors of card corners go together, as cards that lie loosely make them, and weigh corners by that.

In: corners of cards, their errors after solving, how far a height moves them. Out: `Paper`, and what whitens errors.

Paper that people lay down is bent by tenths of a millimeter. In a tilted photo, and away from below the lens, such
heights move whole parts of a card the same way, along directions that the view tells; a printer's feed, a lens and a
phone's smoothing move neighbors alike too. Least squares that takes corners for independent bends plane and lens after
them. So errors are taken for the sum of three: independent ones, heights of the paper (a smooth chance field over each
card, the same in all photos that show it), and what else neighbors share. How large each is follows from what solving
leaves, and a belief of what paper does holds where that tells little.
Reference: Patterson & Thompson (1971), "Recovery of inter-block information when block sizes are unequal", Biometrika
58:545-554 (restricted likelihood); Rasmussen & Williams (2006), "Gaussian Processes for Machine Learning", chapter 2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import minimize
from scipy.spatial.distance import cdist

from stitchbed.card.board import SQUARE_MM
from stitchbed.core.arrays import Array
from stitchbed.photos.solving.initial_guess import CardPoints

BEND_MM = 60.0  # over which heights of paper stay alike: a card bends as a whole, or its corners lift
ALIKE_MM = 40.0  # over which other errors stay alike; waves of 25 to 250 mm were tried
LIFTED = 1.25**0.5  # mean height over its deviation, of paper curled to a parabola that touches the table
NEXT = 1.2  # squares: corners nearer than this are neighbors
ALIKE = 0.4  # sigmas of a corner that neighbors share, believed beforehand
WIDTHS = (1.0, 1.0, 1.0)  # of beliefs, in logarithms: independent variance, heights, shared errors
STEPS = (0.7, 0.7, -0.7)  # in logarithms, of the first simplex
LOOKS = 60  # within a hundredth of the likelihood's top, tried
SINGULAR = 1e-13


@dataclass(frozen=True)
class Paper:
    """How corners err, in sigmas of one corner.

    rows : of each block, which errors (2N of all corners, x and y in turn) it holds: one card in all its photos.
    roots : the lower Cholesky factor of each block's covariance. common : (2N,) what all cards lying one sigma of
    the common height above the work do.
    """

    rows: tuple[Array, ...]
    roots: tuple[Array, ...]
    common: Array


def paper_of(cards: Sequence[CardPoints], lifts: Sequence[Array], errors: Array, slopes: Array) -> Paper | None:
    """What the errors that solving leaves tell of the paper; None where no corners are neighbors.

    lifts : (N, 2) of each card, how far, in sigmas, a corner is seen elsewhere at a height as believed. errors : (M,)
    of all that was solved by, in sigmas, the 2N of corners first. slopes : (M, P) of the same.
    """
    if not any((np.sort(cdist(c.card_xy, c.card_xy), axis=1)[:, 1:2] < NEXT * SQUARE_MM).any() for c in cards):
        return None
    rows = _rows_of(cards)
    heights, alike = _heights(cards, lifts, rows), _alike(cards, rows)
    both = np.column_stack([slopes / (np.linalg.norm(slopes, axis=0) + 1e-300), errors])
    data = [both[each] for each in rows]
    rest = both[sum(len(each) for each in rows) :]
    known = rest.T @ rest

    def unlikely(logs: Array) -> float:
        return _unlikely(_roots(logs, heights, alike), data, known) + float(np.sum((logs / WIDTHS) ** 2))

    simplex = np.concatenate([np.zeros((1, 3)), np.diag(STEPS)])
    options = {"maxfev": LOOKS, "initial_simplex": simplex, "xatol": 0.05, "fatol": 0.05}
    logs = minimize(unlikely, np.zeros(3), method="Nelder-Mead", options=options).x
    common = LIFTED * np.exp(max(float(logs[1]), 0.0)) * np.concatenate([lift.ravel() for lift in lifts])
    return Paper(rows, tuple(_roots(logs, heights, alike)), common)


def weighted(weights: Array | Paper | None, rows: Array) -> Array:
    """(M, ...) rows times weights (M,), or as paper has it: errors of corners, the first 2N rows or slopes of these,
    become uncorrelated and of unit size.
    """
    if weights is None:
        return rows
    if isinstance(weights, Paper):
        return _whitened(weights, rows)
    return np.asarray(weights.reshape(-1, *[1] * (rows.ndim - 1)) * rows, dtype=np.float64)


def _whitened(paper: Paper, rows: Array) -> Array:
    white = rows.copy()
    for each, root in zip(paper.rows, paper.roots, strict=True):
        white[each] = solve_triangular(root, rows[each], lower=True)
    return white


def _roots(logs: Array, heights: Sequence[Array], alike: Sequence[Array]) -> list[Array]:
    """Independent errors count as no smaller than stated, and paper as no flatter than believed: lying askew
    as a whole, as on a crumb, it leaves nothing in the errors.
    """
    alone, bent = np.exp(max(float(logs[0]), 0.0)), np.exp(2 * max(float(logs[1]), 0.0))
    shared = ALIKE**2 * np.exp(2 * float(logs[2]))
    return [
        np.linalg.cholesky(alone * np.eye(len(height)) + bent * height + shared * near)
        for height, near in zip(heights, alike, strict=True)
    ]


def _unlikely(roots: Sequence[Array], data: Sequence[Array], known: Array) -> float:
    """Minus twice the logarithm of the restricted likelihood, but for a constant.

    data : of each block, slopes (n, P) with errors as the last column. known : (P + 1, P + 1) products of the columns
    of all else.
    """
    products, size = known.copy(), 0.0
    for root, each in zip(roots, data, strict=True):
        white = solve_triangular(root, each, lower=True)
        products += white.T @ white
        size += 2 * float(np.log(np.diag(root)).sum())
    values, ways = np.linalg.eigh(products[:-1, :-1])
    values = np.maximum(values, SINGULAR * values[-1])
    explained = float(np.sum((ways.T @ products[:-1, -1]) ** 2 / values))
    return size + float(np.log(values).sum()) + float(products[-1, -1]) - explained


def _rows_of(cards: Sequence[CardPoints]) -> tuple[Array, ...]:
    starts = np.cumsum([0, *(points.photo_xy.size for points in cards)])
    names = dict.fromkeys(points.card for points in cards)
    own = {name: [i for i, points in enumerate(cards) if points.card == name] for name in names}
    return tuple(np.concatenate([np.arange(starts[i], starts[i + 1]) for i in each]) for each in own.values())


def _heights(cards: Sequence[CardPoints], lifts: Sequence[Array], rows: Sequence[Array]) -> list[Array]:
    """(n, n) of each block: covariance of what heights, alike over BEND_MM, do to corners."""
    moved = np.concatenate([lift.ravel() for lift in lifts])
    places = _places(cards)
    return [
        moved[each, None] * np.exp(-0.5 * (cdist(places[each], places[each]) / BEND_MM) ** 2) * moved[each]
        for each in rows
    ]


def _alike(cards: Sequence[CardPoints], rows: Sequence[Array]) -> list[Array]:
    """(n, n) of each block: how far other errors are alike, of one axis in one photo."""
    places = _places(cards)
    axis = np.concatenate([np.tile([2 * p.photo, 2 * p.photo + 1], len(p.photo_xy)) for p in cards])
    return [np.exp(-cdist(places[each], places[each]) / ALIKE_MM) * (axis[each, None] == axis[each]) for each in rows]


def _places(cards: Sequence[CardPoints]) -> Array:
    """(2N, 2) mm on its card, of each error."""
    return np.concatenate([np.repeat(points.card_xy, 2, axis=0) for points in cards])
