"""I make one step towards levels that let overlaps agree: the equations that all overlaps and expected sizes make.

In: levels so far, what is seen of both tiles of each overlap. Out: levels that fit better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Ints
from stitchbed.imaging.transfer import curve_term
from stitchbed.matching.robust import cauchy_weights
from stitchbed.mosaic.photometry.banded_equations import Equations, Order, no_equations, order_of, solution
from stitchbed.mosaic.photometry.overlap_samples import Patches

Designs = Sequence[tuple[Array, Array]]  # per tile: own and bed shading terms at its points
OWN_TERMS = 5
INDEPENDENT = 400  # points of an overlap that count as independent, and
ALIKE = 0.15  # share of all of them: a soft cell is a mean over 4 pi cells, and unevenness goes on beyond it
# Expected size of the bed's terms of order 1 to 4, as shares: what lamps and lenses do falls off smoothly, and a narrow
# overlap, which shows next to nothing of it, would else make up bumps of a third.
BY_ORDER = (1.0, 1.0, 0.3, 0.1)
MOST_CURVE = 0.4  # exponents farther from 1 are no program's doing, and a curve stays monotone up to here


@dataclass(frozen=True)
class LevelSettings:
    """spacing_mm: grid of comparison. bed_degree: order of the shared fall-off. gain, offset, slope, fall: expected
    sizes (log, linear, log, log) of gain differences, black offsets, drift over a scan, shared fall-off (lamp warm-up
    ~1 %, repeat scans .1-.3 %, consumer beds a few %; DEVELOPERS.md). tint_gain, tint_offset: by channel beside what
    is common to all: exposure and stray light are mostly gray. Offsets are small, for an overlap of light tones would
    make up blacks that no overlap shows; where one shows dark tones, it decides. agree: relative difference that
    counts as agreement. most_points: of an overlap that are used.
    curve, tint_curve: expected sizes of exponents (less 1) a program put on a scan, common to its channels and beside
    that by channel. straight: exponents this near to 1 in all pieces are no curves; better: nor are others, unless
    what is left between some piece and its neighbors falls to this share of what is left without (measured: .99 to 1
    where there are none, .97 on text of two tones, .2 on washes).
    """

    spacing_mm: float = 2.0
    bed_degree: int = 4
    gain: float = 0.3
    tint_gain: float = 0.1
    offset: float = 0.003
    tint_offset: float = 0.001
    slope: float = 0.02
    fall: float = 0.04
    agree: float = 0.006
    rounds: int = 12
    most_points: int = 700
    curve: float = 0.15
    tint_curve: float = 0.04
    straight: float = 0.012
    better: float = 0.98
    solve_shading: bool = True
    solve_curves: bool = True


@dataclass(frozen=True)
class Unknown:
    """log gain (T, C), offset (T, C), curve less 1 (T, C), own shading (T, 5), bed shading (G, K)."""

    gain: Array
    offset: Array
    curve: Array
    own: Array
    bed: Array


@dataclass(frozen=True)
class Pair:
    """Two tiles, the positions of their common points in each one's list, and the trust (N, C) in each.

    flat : the sheet lies flat in both at enough places; else light given back to it tells gains only.
    """

    i: int
    j: int
    at_i: NDArray[np.intp]
    at_j: NDArray[np.intp]
    weight: Array
    flat: bool = True


@dataclass(frozen=True)
class Seen:
    """What the solution is made from. shared : bed number per tile, -1 for none. tied : per tile a number that tiles
    tied by flat places have in common. shading : per pair, see `shading_rows`. pivot : `curve_term` of the commonest
    tone: measured from there, curves are told apart from gains, and stay at 1 where an overlap holds a single tone.
    order : of the unknowns.
    """

    patches: Patches
    pairs: Sequence[Pair]
    designs: Designs
    shared: Sequence[int]
    tied: Ints
    shading: Sequence[tuple[Array, Ints]]
    pivot: float
    order: Order


def one_step(state: Unknown, seen: Seen, settings: LevelSettings) -> Unknown:
    """One Gauss-Newton step with Cauchy weights over all pairs."""
    tiles, channels = state.gain.shape
    own_start = 3 * tiles * channels
    own_end = own_start + state.own.size
    equations, held = _prior(state, seen, settings)
    logs = [logs_of(state, seen, i) for i in range(tiles)]
    slopes = [_slopes(state, seen, i, curves=settings.solve_curves) for i in range(tiles)]
    for pair, shading in zip(seen.pairs, seen.shading, strict=True):
        rest = logs[pair.i][pair.at_i] - logs[pair.j][pair.at_j]
        robust = pair.weight * cauchy_weights((rest / settings.agree) ** 2) / settings.agree**2
        robust = robust * min(ALIKE, INDEPENDENT / len(rest))
        _add_pair(
            equations,
            _own_rows(pair, slopes),
            shading if settings.solve_shading and pair.flat else None,
            robust,
            rest,
        )
    step = solution(equations, held)
    by_tile = step[:own_start].reshape(3, tiles, channels)
    return Unknown(
        state.gain + by_tile[0],
        np.clip(state.offset + by_tile[1], -0.05, 0.05),
        np.clip(state.curve + by_tile[2], -MOST_CURVE, MOST_CURVE) if settings.solve_curves else state.curve,
        state.own + step[own_start:own_end].reshape(state.own.shape),
        state.bed + step[own_end:].reshape(state.bed.shape),
    )


def _add_pair(
    equations: Equations,
    own: tuple[Array, Ints],
    shading: tuple[Array, Ints] | None,
    robust: Array,
    rest: Array,
) -> None:
    """Add what one overlap tells to the normal equations. own, shading : derivatives and columns, see `_own_rows` and
    `shading_rows`. robust, rest : (N, C) weights, and what is left."""
    rows, columns = own
    weighted, kinds, width = rows * robust.T[:, None], columns.shape[1], columns.size
    part, at = shading if shading is not None else (np.zeros((0, len(rest))), np.zeros(0, np.intp))
    block = np.zeros((width + len(at), width + len(at)))
    for c in range(len(columns)):
        mine = slice(c * kinds, (c + 1) * kinds)
        block[mine, mine] = weighted[c] @ rows[c].T
        equations.add_right(columns[c], -weighted[c] @ rest[:, c])
    if len(at):  # the same for all channels: their weights are added up first
        block[:width, width:] = weighted.reshape(-1, len(rest)) @ part.T
        block[width:, :width] = block[:width, width:].T
        block[width:, width:] = (part * robust.sum(1)) @ part.T
        equations.add_right(at, -part @ (robust * rest).sum(1))
    equations.add(np.concatenate([columns.ravel(), at]), block)


def _own_rows(pair: Pair, slopes: Sequence[Array]) -> tuple[Array, NDArray[np.intp]]:
    """Per channel the derivatives (C, K, N) by both tiles' gains, offsets and curves, and their columns (C, K).

    Where no place lies flat in both tiles the first alone."""
    told = len(slopes[pair.i]) if pair.flat else 1
    rows = np.concatenate([slopes[pair.i][:told, pair.at_i], -slopes[pair.j][:told, pair.at_j]])
    kinds, channels, tiles = len(rows) // 2, rows.shape[2], len(slopes)
    first = np.concatenate([np.arange(kinds) * tiles + pair.i, np.arange(kinds) * tiles + pair.j]) * channels
    return np.ascontiguousarray(rows.transpose(2, 0, 1)), first + np.arange(channels)[:, None]


def shading_rows(pair: Pair, designs: Designs, shared: Sequence[int], channels: int) -> tuple[Array, Ints]:
    """Derivatives (K, N) by own and bed shading, and their columns."""
    first_own, own_n, bed_n = 3 * len(designs) * channels, OWN_TERMS, designs[0][1].shape[1]
    first_bed = first_own + len(designs) * own_n
    rows = [designs[pair.i][0][pair.at_i].T, -designs[pair.j][0][pair.at_j].T]
    columns = [first_own + pair.i * own_n + np.arange(own_n), first_own + pair.j * own_n + np.arange(own_n)]
    for bed in sorted({shared[pair.i], shared[pair.j]} - {-1}):
        mine = designs[pair.i][1][pair.at_i] * (shared[pair.i] == bed)
        rows.append((mine - designs[pair.j][1][pair.at_j] * (shared[pair.j] == bed)).T)
        columns.append(first_bed + bed * bed_n + np.arange(bed_n))
    return np.concatenate(rows), np.concatenate(columns)


def level_order(tiles: int, channels: int, shared: int, pairs: Sequence[Pair]) -> Order:
    """The order of all unknowns. shared : terms of all beds."""
    tile = np.arange(tiles)
    own = (np.tile(np.repeat(tile, channels), 3), np.repeat(tile, OWN_TERMS), np.full(shared, -1))
    return order_of(np.concatenate(own), np.array([(pair.i, pair.j) for pair in pairs], np.intp).reshape(-1, 2))


def _prior(state: Unknown, seen: Seen, settings: LevelSettings) -> tuple[Equations, list[tuple[Ints, float]]]:
    """Expected sizes; and what is held: the mean log gain at zero (the gauge), and mean offset and mean curve of tiles
    tied together: one exponent for all of them would bring them nearer to each other at no cost."""
    tiles, channels = state.gain.shape
    equations, held = no_equations(seen.order), []
    # exposure, stray light and a program's exponent are mostly the same for all channels
    sizes = (
        (state.gain, settings.gain, settings.tint_gain),
        (state.offset, settings.offset, settings.tint_offset),
        (state.curve, settings.curve, settings.tint_curve),
    )
    for kind, (current, size, tint) in enumerate(sizes):
        stiff: Array = np.asarray(
            np.linalg.inv(np.full((channels, channels), size**2) + np.eye(channels) * tint**2), np.float64
        )
        columns = kind * tiles * channels + np.arange(tiles * channels).reshape(tiles, channels)
        equations.add(columns, stiff)
        equations.add_right(columns.ravel(), -(current @ stiff).ravel())
    shading = 1 / shading_sizes(tiles, len(state.bed), settings) ** 2
    columns = 3 * tiles * channels + np.arange(len(shading))
    equations.add(columns[:, None], shading[:, None, None])
    equations.add_right(columns, -shading * np.concatenate([state.own.ravel(), state.bed.ravel()]))
    together = np.zeros(tiles, np.intp)
    groups = ((state.gain, 1e3, together), (state.offset, 1e5, seen.tied), (state.curve, 1e4, seen.tied))
    for kind, (current, hold, group) in enumerate(groups):
        for number, c in product(np.unique(group), range(channels)):
            members = np.flatnonzero(group == number)
            columns, information = (kind * tiles + members) * channels + c, hold**2 / len(members)
            held.append((columns, information))
            equations.add_right(columns, np.full(len(members), -information * current[members, c].sum()))
    return equations, held


def logs_of(state: Unknown, seen: Seen, i: int) -> Array:
    """(N, C) log of corrected light of tile i."""
    shade = seen.designs[i][0] @ state.own[i]
    if seen.shared[i] >= 0:
        shade = shade + seen.designs[i][1] @ state.bed[seen.shared[i]]
    light = np.maximum(seen.patches.seen[i].light + state.offset[i], 1e-4)
    bent = state.curve[i] * _curve_by(seen, i, light) if state.curve.any() else 0.0
    result: Array = np.log(light) + bent + state.gain[i] + shade[:, None]
    return result


def _slopes(state: Unknown, seen: Seen, i: int, *, curves: bool) -> Array:
    """(2 or 3, N, C) derivatives of `logs_of` by tile i's gain, offset and curve."""
    light = np.maximum(seen.patches.seen[i].light + state.offset[i], 1e-3)
    rows = [np.ones_like(light), (1 + state.curve[i]) / light]
    return np.stack([*rows, _curve_by(seen, i, light)] if curves else rows)


def _curve_by(seen: Seen, i: int, light: Array) -> Array:
    """(N, C) derivative of the log of tile i's light (N, C) by its curve.

    A curve bends each tone by itself: a cell of lines on paper hardly darkens, for what it sends back is paper's light.
    """
    result: Array = curve_term(light) + seen.patches.seen[i].mixed - seen.pivot
    return result


def orders(degree: int) -> Ints:
    """((degree + 1)^2,) order of each product of two Legendre polynomials."""
    return np.add.outer(np.arange(degree + 1), np.arange(degree + 1)).ravel()


def shading_sizes(tiles: int, beds: int, settings: LevelSettings) -> Array:
    """Expected sizes of all own terms, then of all beds' terms."""
    own = np.full((tiles, OWN_TERMS), settings.slope)
    own[:, 2:] = settings.slope / 3
    order = orders(settings.bed_degree)
    kept = order[(order > 0) & (order <= settings.bed_degree)]
    fall = settings.fall * np.array(BY_ORDER)[np.minimum(kept, len(BY_ORDER)) - 1]
    return np.concatenate([own.ravel(), np.tile(fall, beds)])
