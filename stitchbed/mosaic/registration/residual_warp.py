"""I let each tile bend a little where overlaps still disagree after the bed is solved.

In: placements and ties with what is left at them. Out: placements whose warps hold a smooth, small field of their own.

Each tile has bilinear displacements on a coarse lattice, pulled to zero and to smoothness; all tiles are solved at once
from the ties they share, by conjugate gradients. Where near ties say alike that the paper lay otherwise (a fold, a
crease), a finer field round them may go farther.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.memory import late
from stitchbed.matching.robust import cauchy_weights
from stitchbed.mosaic.registration.bundle_adjustment import expected_residual, whitening
from stitchbed.mosaic.registration.placement import Placement, Warp, shift_at
from stitchbed.mosaic.registration.tie_points import Ties, residuals_of

if TYPE_CHECKING:
    from scipy import sparse
else:
    sparse = late("scipy.sparse")
sparse_linalg = late("scipy.sparse.linalg")

spatial = late("scipy.spatial")

STILL = 1000.0  # how much less a node that is not free may move


@dataclass(frozen=True)
class FieldSettings:
    """lattice_mm: spacing of the lattice. amplitude_mm: expected size; half a pixel at 600 dpi.
    bend_mm: expected difference between neighboring nodes. cauchy: robust scale in sigmas.
    least_ties: a tile with fewer has no field. correlated: neighboring ties err alike; each counts as this share of
    one.
    """

    lattice_mm: float = 22.0
    amplitude_mm: float = 0.02
    bend_mm: float = 0.01
    cauchy: float = 2.385
    least_ties: int = 30
    correlated: float = 0.3


@dataclass(frozen=True)
class FoldSettings:
    """near_mm, least_near: ties of an overlap within this of each other, and how many, that can show a fold.
    window_mm: ties nearer than this look at the same strokes, and err as one.
    least_mm, least_px: what they must have in common at least; a third of a px at 300 dpi and below, where ties err by
    as much of a px, and not by less in mm. sure: and how many times its uncertainty. over, least_pairs: and how many
    times what is usual, from so many overlaps on, for what all of them leave is the bed's or the drawing's. most_mm:
    beyond this no paper bends. least_ties: ties of an overlap at folds under which there is none.
    lattice_mm, amplitude_mm, bend_mm: of the field round a fold, for creases are narrow. reach_mm: how far round.
    """

    near_mm: float = 6.0
    least_near: int = 4
    window_mm: float = 3.0
    least_mm: float = 0.03
    least_px: float = 0.35
    sure: float = 5.0
    over: float = 8.0
    least_pairs: int = 3
    most_mm: float = 1.0
    least_ties: int = 10
    lattice_mm: float = 6.0
    amplitude_mm: float = 0.2
    bend_mm: float = 0.05
    reach_mm: float = 15.0


@dataclass(frozen=True)
class Looser:
    """What sets a field free: weight (N,) of the ties, and nodes (per tile, bool) that may move."""

    weight: Array
    nodes: tuple[Mask, ...]


def folds_at(places: Sequence[Placement], ties: Ties, px_per_mm: float, settings: FoldSettings) -> Mask:
    """(N,) True for ties that neighbors agree with, far from zero: the paper lay otherwise there in one of the two."""
    residual = residuals_of(places, ties)
    common, sigma = _common(ties, residual, len(places), px_per_mm, settings)
    length = np.hypot(*common.T)
    _, pair = np.unique(ties.a * len(places) + ties.b, return_inverse=True)
    usual = _usual(length, pair) if pair.max(initial=0) + 1 >= settings.least_pairs else 0.0
    least = max(settings.least_mm * px_per_mm, settings.least_px, settings.over * usual)
    folded = (length > np.maximum(least, settings.sure * sigma)) & (length < settings.most_mm * px_per_mm)
    return folded & (np.bincount(pair, folded)[pair] >= settings.least_ties)


def _usual(length: Array, pair: NDArray[np.intp]) -> float:
    """What the middle tie of the middle overlap leaves in common with its neighbors, px."""
    return float(np.median([np.median(length[pair == one]) for one in np.unique(pair)]))


def with_folds(
    places: Sequence[Placement],
    ties: Ties,
    px_per_mm: Sequence[float],
    folded: Mask,
    *,
    settings: tuple[FieldSettings, FoldSettings],
) -> list[Placement]:
    """Placements whose warps follow the paper round `folded` ties, each of two pieces half the way."""
    field, fold = settings
    finer = replace(field, lattice_mm=fold.lattice_mm, amplitude_mm=fold.amplitude_mm, bend_mm=fold.bend_mm)
    scale = float(np.median(px_per_mm))
    residual = residuals_of(places, ties)
    common, _ = _common(ties, residual, len(places), scale, fold)
    alone = np.einsum("nij,nj->ni", whitening(places, ties), residual - common * folded[:, None])
    weight = cauchy_weights((alone**2).sum(1), field.cauchy)
    nodes = []
    for i, (place, k) in enumerate(zip(places, px_per_mm, strict=True)):
        rows, cols, spacing = _grid(place.size, fold.lattice_mm * k)
        at = np.concatenate([ties.xy_a[folded & (ties.a == i)], ties.xy_b[folded & (ties.b == i)]])
        lattice = np.stack(np.meshgrid(np.arange(cols), np.arange(rows)), -1).reshape(-1, 2) * spacing
        far = spatial.cKDTree(at).query(lattice)[0] if len(at) else np.full(len(lattice), np.inf)
        nodes.append(far < fold.reach_mm * k)
    return with_fields(places, ties, px_per_mm, finer, looser=Looser(weight, tuple(nodes)))


def with_fields(
    places: Sequence[Placement],
    ties: Ties,
    px_per_mm: Sequence[float],
    settings: FieldSettings,
    *,
    looser: Looser | None = None,
) -> list[Placement]:
    """Placements with fields added to their warps (see module)."""
    grids = [_grid(place.size, settings.lattice_mm * k) for place, k in zip(places, px_per_mm, strict=True)]
    starts = np.concatenate([[0], np.cumsum([2 * rows * cols for rows, cols, _ in grids])]).astype(int)
    residual, weight = expected_residual(places, ties, settings.cauchy)
    weight = weight if looser is None else looser.weight
    across, down = _design(places, ties, grids, starts)
    w = whitening(places, ties)
    root = sparse.diags(np.sqrt(weight * settings.correlated))
    rows = [root @ (sparse.diags(w[:, r, 0]) @ across + sparse.diags(w[:, r, 1]) @ down) for r in range(2)]
    rest = np.einsum("nij,nj->ni", w, residual) * np.sqrt(weight * settings.correlated)[:, None]
    prior = _prior(grids, px_per_mm, settings, looser)
    stack = sparse.vstack([*rows, prior]).tocsr()
    target = np.concatenate([-rest[:, 0], -rest[:, 1], np.zeros(prior.shape[0])])
    normal = (stack.T @ stack).tocsr()
    solution, _ = sparse_linalg.cg(
        normal, stack.T @ target, rtol=1e-8, maxiter=2000, M=sparse.diags(1 / normal.diagonal())
    )
    counts = np.bincount(ties.a, minlength=len(places)) + np.bincount(ties.b, minlength=len(places))
    return [
        _bent(place, solution[starts[i] : starts[i + 1]], grids[i]) if counts[i] >= settings.least_ties else place
        for i, place in enumerate(places)
    ]


def _grid(size: tuple[int, int], spacing: float) -> tuple[int, int, float]:
    """Rows, columns and spacing px of a lattice that covers a tile."""
    return int(np.ceil((size[0] - 1) / spacing)) + 1, int(np.ceil((size[1] - 1) / spacing)) + 1, spacing


def _design(
    places: Sequence[Placement], ties: Ties, grids: Sequence[tuple[int, int, float]], starts: NDArray[np.intp]
) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
    """Derivatives of the x and y residuals (sheet px) by all node displacements (tile px)."""
    n, total = len(ties.a), int(starts[-1])
    across, down = sparse.csr_matrix((n, total)), sparse.csr_matrix((n, total))
    linear = np.array([place.sheet_from_tile[:2, :2] for place in places])
    for sign, index, xy in ((-1.0, ties.a, ties.xy_a), (1.0, ties.b, ties.xy_b)):
        node, share = _corners(index, xy, grids)
        count = np.array([rows * cols for rows, cols, _ in grids])[index]
        for corner in range(4):
            base = starts[index] + node[:, corner]
            for axis in range(2):
                column = base + axis * count
                values = sign * share[:, corner, None] * linear[index, :, axis]
                across = across + sparse.csr_matrix((values[:, 0], (np.arange(n), column)), shape=(n, total))
                down = down + sparse.csr_matrix((values[:, 1], (np.arange(n), column)), shape=(n, total))
    return across, down


def _corners(
    index: NDArray[np.intp], xy: Array, grids: Sequence[tuple[int, int, float]]
) -> tuple[NDArray[np.intp], Array]:
    """(N, 4) lattice nodes round each point and (N, 4) bilinear shares."""
    table = np.array([(rows, cols, spacing) for rows, cols, spacing in grids])[index]
    x, y = xy[:, 0] / table[:, 2], xy[:, 1] / table[:, 2]
    col = np.clip(x.astype(int), 0, np.maximum(table[:, 1] - 2, 0)).astype(int)
    row = np.clip(y.astype(int), 0, np.maximum(table[:, 0] - 2, 0)).astype(int)
    fx, fy = np.clip(x - col, 0, 1), np.clip(y - row, 0, 1)
    cols = table[:, 1].astype(int)
    first = row * cols + col
    node = np.stack([first, first + 1, first + cols, first + cols + 1], 1)
    share = np.stack([(1 - fx) * (1 - fy), fx * (1 - fy), (1 - fx) * fy, fx * fy], 1)
    return node, share


def _common(ties: Ties, residual: Array, tiles: int, px_per_mm: float, settings: FoldSettings) -> tuple[Array, Array]:
    """(N, 2) median px of what near ties of the same overlap leave, 0 where they are few, and (N,) its sigma px."""
    common, sigma = np.zeros_like(residual), np.full(len(residual), np.inf)
    pair = ties.a * tiles + ties.b
    for key in np.unique(pair):
        mine = np.flatnonzero(pair == key)
        near = spatial.cKDTree(ties.xy_a[mine]).query_ball_point(ties.xy_a[mine], settings.near_mm * px_per_mm)
        counts = np.array([len(others) for others in near])
        enough = counts >= settings.least_near
        if not enough.any():
            continue
        counts, others = counts[enough], np.concatenate(near[enough]).astype(np.intp)
        middle, spread = _middles(residual[mine[others]], counts)
        windows = _windows(ties.xy_a[mine], others, counts, settings.window_mm * px_per_mm)
        common[mine[enough]] = middle
        sigma[mine[enough]] = 1.25 * np.hypot(*(1.48 * spread).T) / np.sqrt(windows)
    return common, sigma


def _windows(xy: Array, others: NDArray[np.intp], counts: NDArray[np.intp], side: float) -> NDArray[np.intp]:
    """(n,) how many squares of that side px hold the points of each group; groups follow one another in `others`."""
    col, row = (xy // side).astype(np.intp).T
    square = row * (int(col.max()) + 1) + col
    group = np.repeat(np.arange(len(counts)), counts)
    each = np.unique(np.stack([group, square[others]]), axis=1)
    return np.bincount(each[0], minlength=len(counts))


def _middles(values: Array, counts: NDArray[np.intp]) -> tuple[Array, Array]:
    """Median (n, 2), and median distance from it, of groups that follow one another in (N, 2) values."""
    group, first = np.repeat(np.arange(len(counts)), counts), np.repeat(np.cumsum(counts) - counts, counts)
    table = np.full((len(counts), counts.max(), 2), np.inf)  # what fills up a group comes last
    table[group, np.arange(len(values)) - first] = values
    low, high = (counts - 1) // 2, counts // 2

    def middle(rows: Array) -> Array:
        ordered, each = np.sort(rows, axis=1), np.arange(len(rows))
        result: Array = (ordered[each, low] + ordered[each, high]) / 2
        return result

    median = middle(table)
    return median, middle(np.abs(table - median[:, None]))


def _prior(
    grids: Sequence[tuple[int, int, float]],
    px_per_mm: Sequence[float],
    settings: FieldSettings,
    looser: Looser | None,
) -> sparse.csr_matrix:
    """Amplitude and first-difference rows of all lattices, block by block; nodes that are not free stay at zero."""
    blocks = []
    for i, ((rows, cols, _), k) in enumerate(zip(grids, px_per_mm, strict=True)):
        free = np.ones(rows * cols, bool) if looser is None else looser.nodes[i]
        along = sparse.kron(sparse.identity(rows), _differences(cols))
        across = sparse.kron(_differences(rows), sparse.identity(cols))
        one = sparse.vstack([
            sparse.diags(np.where(free, 1, STILL) / (settings.amplitude_mm * k)),
            sparse.vstack([along, across]) / (settings.bend_mm * k),
        ])  # fmt: skip
        blocks.append(sparse.kron(sparse.identity(2), one))
    return _block_diagonal(blocks)


def _differences(count: int) -> sparse.csr_matrix:
    if count < 2:
        return sparse.csr_matrix((0, count))
    return sparse.diags([-np.ones(count - 1), np.ones(count - 1)], [0, 1], shape=(count - 1, count)).tocsr()


def _block_diagonal(blocks: Sequence[sparse.csr_matrix]) -> sparse.csr_matrix:
    width = [block.shape[1] for block in blocks]
    total, start, rows = sum(width), 0, []
    for block, own in zip(blocks, width, strict=True):
        height = block.shape[0]
        rows.append(
            sparse.hstack([sparse.csr_matrix((height, start)), block, sparse.csr_matrix((height, total - start - own))])
        )
        start += own
    return sparse.vstack(rows).tocsr()


def _bent(place: Placement, solution: Array, grid: tuple[int, int, float]) -> Placement:
    """Add the field to the tile's lattice (that of its bed, or one of its own)."""
    rows, cols, spacing = grid
    field = Warp(solution.reshape(2, rows, cols).transpose(1, 2, 0), spacing)
    if place.warp is None:
        fine = spacing / 8
        shape = (int(np.ceil((place.size[0] - 1) / fine)) + 1, int(np.ceil((place.size[1] - 1) / fine)) + 1)
        base = Warp(np.zeros((*shape, 2)), fine)
    else:
        base = place.warp
    xs, ys = np.arange(base.shift.shape[1]) * base.spacing, np.arange(base.shift.shape[0]) * base.spacing
    at = np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2)
    return replace(place, warp=Warp(base.shift + shift_at(field, at).reshape(base.shift.shape), base.spacing))
