"""I solve equations of many tiles, of which each is tied to a few near it only.

In: normal equations, block by block; means that are held. Out: the solution.

With tiles in an order in which those that are tied come soon after each other, what is not zero lies in a band beside
the diagonal. What all tiles share comes last, as a border. A mean that is held ties every tile to every other; it is
brought in afterwards, as a change of low rank.

Reference: Cuthill & McKee (1969), doi 10.1145/800195.805928; Golub & Van Loan (2013), Matrix Computations, sec. 2.1.4
(Sherman-Morrison-Woodbury), 4.3.5 (band Cholesky).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array, Ints
from stitchbed.core.memory import late

linalg = late("scipy.linalg")
sparse, csgraph = late("scipy.sparse"), late("scipy.sparse.csgraph")


@dataclass(frozen=True)
class Order:
    """place : (N,) of each unknown. inner : so many places are those of tiles, the rest is shared. width : farthest
    two places are from each other that one block holds, but for shared ones."""

    place: Ints
    inner: int
    width: int


def order_of(tile: Ints, ties: Ints) -> Order:
    """The order of unknowns. tile : (N,) that each belongs to, -1 for what is shared. ties : (P, 2) tiles."""
    count = int(tile.max(initial=-1)) + 1
    graph = sparse.csr_array((np.ones(len(ties)), tuple(ties.T)), shape=(count, count))
    rank = np.empty(count + 1, np.intp)
    rank[csgraph.reverse_cuthill_mckee(sparse.csr_array(graph + graph.T), symmetric_mode=True)] = np.arange(count)
    rank[-1] = count  # that of tile -1
    ranks = rank[tile]
    place = np.empty(len(tile), np.intp)
    place[np.argsort(ranks, kind="stable")] = np.arange(len(tile))
    ends = np.searchsorted(np.sort(ranks), np.arange(count + 1))  # where each rank begins
    least, most = (np.sort(rank[ties], axis=1) if len(ties) else np.zeros((0, 2), np.intp)).T
    widths = np.concatenate([np.diff(ends), ends[most + 1] - ends[least]])
    return Order(place, int(ends[count]), int(widths.max(initial=1)) - 1)


@dataclass(frozen=True)
class Equations:
    """Normal equations, zero at first, the lower half of them; unknowns by their place. held : (E,) the band
    (width + 1, inner), its diagonal first, then rows (S, N) of what is shared, then one that is not read. right : (N,).
    """

    order: Order
    held: Array
    right: Array

    def add(self, columns: Ints, blocks: Array) -> None:
        """Add blocks (..., k, k) that are symmetric. columns : (..., k) unknowns; no two of them twice together."""
        at, inner = self.order.place[columns], self.order.inner
        down, across = at[..., :, None], at[..., None, :]
        in_band = (down - across) * inner
        in_rows = (self.order.width + 1) * inner + (down - inner) * len(self.right)
        slot = np.where(down < inner, in_band, in_rows) + across
        self.held[np.where(down < across, -1, slot)] += blocks

    def add_right(self, columns: Ints, values: Array) -> None:
        """Add to the right-hand side. columns : (k,) unknowns, each once."""
        self.right[self.order.place[columns]] += values


def no_equations(order: Order) -> Equations:
    """All zero."""
    total, inner = len(order.place), order.inner
    return Equations(order, np.zeros((order.width + 1) * inner + (total - inner) * total + 1), np.zeros(total))


def solution(equations: Equations, means: Sequence[tuple[Ints, float]]) -> Array:
    """(N,) unknowns in their own order. means : of each that is held the unknowns (of tiles) and the information on
    their sum: as if so much were added to every two of them."""
    order, right = equations.order, equations.right
    inner, total = order.inner, len(right)
    band = equations.held[: (order.width + 1) * inner].reshape(-1, inner)
    rows = equations.held[band.size : -1].reshape(-1, total)
    border, corner = rows[:, :inner].T, np.tril(rows[:, inner:]) + np.tril(rows[:, inner:], -1).T
    sums = np.zeros((inner, len(means)))
    for n, (columns, _) in enumerate(means):
        sums[order.place[columns], n] = 1
    root = linalg.cholesky_banded(band, lower=True, check_finite=False)
    every = linalg.cho_solve_banded((root, True), np.column_stack([border, right[:inner], sums]), check_finite=False)
    beside, own = every[:, : total - inner], every[:, total - inner :]
    shared = -border.T @ own
    shared[:, 0] += right[inner:]
    shared = np.linalg.solve(corner - border.T @ beside, shared)
    both = np.concatenate([own - beside @ shared, shared])
    free = np.diag([1 / information for _, information in means])
    pull = np.linalg.solve(free + sums.T @ both[:inner, 1:], sums.T @ both[:inner, 0])
    found: Array = (both[:, 0] - both[:, 1:] @ pull)[order.place]
    return found
