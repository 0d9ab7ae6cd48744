"""I say where a grid of pieces has room for one more: places in its rows and columns that none of its pieces fills.

In: places of pieces that hang together. Out: places a further piece may have, those with most neighbors first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import inverse, moved, scale_of, similarity_matrix, turn_of
from stitchbed.mosaic.linking.link_graph import corners

SAME_LINE = 0.3  # share of a piece by which middles of one row or column may differ
STEP = (0.5, 0.98)  # share of a piece that neighbors lie apart
USUAL_STEP = 0.82  # the same where no two neighbors tell it
REACH, USUAL_REACH = 0.06, 0.14  # share of a piece by which a place may be off, where a step is known, and where not
LEAST_WHOLE, HOLLOW = 4, 6  # pieces of a grid that is no chance; those that allow for one hole
UPRIGHT = 0.12  # rad by which a piece may be turned against the others, beside being upside down


@dataclass(frozen=True)
class Hole:
    """at : sheet_from_piece 3x3 of a piece that filled it upright. reach : px of the sheet by which it may be off.
    neighbors : names of the pieces beside, above and below it. inner : some are in its row and some in its column."""

    at: Array
    reach: float
    neighbors: tuple[str, ...]
    inner: bool

    def upside_down(self, size: tuple[int, int]) -> Hole:
        """The same for a piece of (h, w) px that lies upside down."""
        half = np.diag([-1.0, -1.0, 1.0])
        half[:2, 2] = corners(size)[2]
        return replace(self, at=self.at @ half)


@dataclass(frozen=True)
class _Grid:
    """taken : piece by its column and row. at : middle (2,) px of each, turned upright. steps : see `_step`, along rows
    and along columns. side : (2,) px of a piece. upright : 3x3, the turn to upright."""

    taken: Mapping[tuple[int, int], str]
    at: Mapping[str, Array]
    steps: tuple[tuple[Array | None, float], tuple[Array | None, float]]
    side: Array
    upright: Array


def holes(
    places: Mapping[str, Array], sizes: Mapping[str, tuple[int, int]], new: tuple[tuple[int, int], float]
) -> list[Hole]:
    """Where one more piece may lie beside pieces laid in rows and columns; none where they are not laid so.

    places : sheet_from_tile 3x3. sizes : (h, w) px. new : (h, w) px of the piece, sheet px per px of it.
    """
    grid = _grid(places, sizes)
    if grid is None:
        return []
    columns, rows = (range(-1, 2 + max(spot[k] for spot in grid.taken)) for k in (0, 1))
    found = [
        _hole(beside, grid, new)
        for spot in product(columns, rows)
        if spot not in grid.taken and (beside := _beside(spot, grid.taken))
    ]
    return sorted(found, key=lambda one: (not one.inner, -len(one.neighbors), one.neighbors))


def whole(places: Mapping[str, Array], sizes: Mapping[str, tuple[int, int]]) -> bool:
    """True where four pieces or more fill a grid of rows and columns, each a step from the next, without a hole, or
    with one for every HOLLOW pieces: false links hardly lay pieces so."""
    grid = _grid(places, sizes)
    if grid is None or len(places) < LEAST_WHOLE:
        return False
    columns, rows = (1 + max(spot[k] for spot in grid.taken) for k in (0, 1))
    for (i, j), name in grid.taken.items():
        for ahead, (step, reach) in zip(((1, 0), (0, 1)), grid.steps, strict=True):
            after = grid.taken.get((i + ahead[0], j + ahead[1]))
            if after is None:
                continue
            if step is None or np.hypot(*(grid.at[after] - grid.at[name] - step)) > reach:
                return False
    return columns * rows - len(places) <= len(places) // HOLLOW


def open_pieces(places: Mapping[str, Array], sizes: Mapping[str, tuple[int, int]]) -> dict[str, int]:
    """How likely a further piece lies beside each one of a grid: 2 at a hole within its rows and columns, 1 at the rim,
    0 inside; 1 of pieces that are no grid."""
    first = sorted(places)[0]
    found = holes(places, sizes, (sizes[first], scale_of(places[first])))
    rank = dict.fromkeys(places, 0 if found else 1)
    for hole in found:
        rank |= {name: max(rank[name], 2 if hole.inner else 1) for name in hole.neighbors}
    return rank


def _grid(places: Mapping[str, Array], sizes: Mapping[str, tuple[int, int]]) -> _Grid | None:
    """The rows and columns pieces lie in, upright or upside down; None where they do not, or two lie at one place."""
    names = sorted(places)
    turns = np.array([turn_of(places[name]) for name in names])
    turn = float(np.angle(np.exp(2j * turns).mean()) / 2)  # upside down is as good as upright
    if np.abs(np.angle(np.exp(2j * (turns - turn)))).max() > 2 * UPRIGHT:
        return None
    upright = similarity_matrix(np.array([np.cos(turn), -np.sin(turn), 0.0, 0.0]))
    middles = np.array([moved(upright @ places[name], corners(sizes[name]).mean(0)[None])[0] for name in names])
    side = np.median([np.array(sizes[name][::-1]) * scale_of(places[name]) for name in names], axis=0)
    columns, rows = (_lines(middles[:, k], SAME_LINE * side[k]) for k in (0, 1))
    taken = dict(zip(zip(columns, rows, strict=True), names, strict=True))
    if len(taken) < len(names):
        return None
    at = dict(zip(names, middles, strict=True))
    return _Grid(taken, at, (_step(taken, at, 0, side[0]), _step(taken, at, 1, side[1])), side, upright)


def _lines(values: Array, near: float) -> list[int]:
    """Number of the row or column of each value: those nearer than `near` to the next one share theirs."""
    order = np.argsort(values, kind="stable")
    number = np.zeros(len(values), int)
    number[order] = np.cumsum(np.r_[0, np.diff(values[order]) > near])
    return [int(one) for one in number]


def _beside(spot: tuple[int, int], taken: Mapping[tuple[int, int], str]) -> dict[tuple[int, int], str]:
    """Neighbors of a spot by where they lie from it."""
    sides = ((1, 0), (-1, 0), (0, 1), (0, -1))
    return {(i, j): taken[spot[0] + i, spot[1] + j] for i, j in sides if (spot[0] + i, spot[1] + j) in taken}


def _step(
    taken: Mapping[tuple[int, int], str], at: Mapping[str, Array], axis: int, side: float
) -> tuple[Array | None, float]:
    """px (2,) from a piece to the next along an axis, None where no two tell; and by how much a place may be off."""
    ahead = (1, 0) if axis == 0 else (0, 1)
    pairs = [(name, taken.get((i + ahead[0], j + ahead[1]))) for (i, j), name in taken.items()]
    moves = np.array([at[two] - at[one] for one, two in pairs if two is not None]).reshape(-1, 2)
    moves = moves[(moves[:, axis] > STEP[0] * side) & (moves[:, axis] < STEP[1] * side)]
    if not len(moves):
        return None, USUAL_REACH * side
    return np.median(moves, axis=0), REACH * side


def _hole(beside: Mapping[tuple[int, int], str], grid: _Grid, new: tuple[tuple[int, int], float]) -> Hole:
    """beside : names by where they lie from the hole. new : see `holes`."""
    told, (size, scale) = [], new
    for (i, j), name in beside.items():
        step, reach = grid.steps[0 if i else 1]
        usual = USUAL_STEP * grid.side * np.array([bool(i), bool(j)])
        told.append((grid.at[name] - (i + j) * (usual if step is None else step), reach))
    least = min(reach for _, reach in told)
    middle = np.mean([place for place, reach in told if reach == least], axis=0)
    flat = np.diag([scale, scale, 1.0])
    flat[:2, 2] = middle - scale * corners(size).mean(0)
    inner = any(i for i, _ in beside) and any(j for _, j in beside)
    return Hole(inverse(grid.upright) @ flat, float(least), tuple(sorted(beside.values())), inner)
