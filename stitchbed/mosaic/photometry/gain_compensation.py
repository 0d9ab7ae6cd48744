"""I find each tile's gain, offset and shading so that overlaps agree, in linear light.

In: what the tiles see at common places. Out: a `Level` per tile. Only ratios are used and the mean of all gains stays
1, so nothing is pulled towards anything; fall-off that all scans share belongs to the bed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.legendre import legvander2d
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.mosaic.photometry.overlap_samples import Patches

Designs = Sequence[tuple[Array, Array]]  # per tile: own and bed shading terms at its points
OWN_TERMS = 5
INDEPENDENT = 400  # points of an overlap that count as independent


@dataclass(frozen=True)
class LevelSettings:
    """spacing_mm: grid of comparison. bed_degree: order of the shared fall-off. gain, offset, slope, fall: expected
    sizes
    (log, linear, log, log) of gain differences, black offsets, drift over a scan, shared fall-off (lamp warm-up ~1 %,
    repeat scans .1-.3 %, consumer beds a few %; DEVELOPERS.md). agree: relative difference that counts as agreement.
    most_points: of an overlap that are used.
    """

    spacing_mm: float = 4.0
    bed_degree: int = 4
    gain: float = 0.3
    offset: float = 0.01
    slope: float = 0.02
    fall: float = 0.04
    agree: float = 0.006
    rounds: int = 12
    most_points: int = 1500
    solve_shading: bool = True


@dataclass(frozen=True)
class Level:
    """corrected = (stored_linear + offset) * gain * exp(shading).

    gain, offset : (c,). shading : (gh, gw) log gain on a lattice over the tile. spacing : px of the lattice.
    """

    tile: str
    gain: Array
    offset: Array
    shading: Array
    spacing: float

    @property
    def plain(self) -> bool:
        """True when nothing is changed."""
        return bool((self.gain == 1).all() and (self.offset == 0).all() and not self.shading.any())


@dataclass(frozen=True)
class _Unknown:
    """log gain (T, C), offset (T, C), own shading (T, 5), bed shading (G, K)."""

    gain: Array
    offset: Array
    own: Array
    bed: Array


def no_gain(name: str, channels: int) -> Level:
    """A level that changes nothing."""
    return Level(name, np.ones(channels), np.zeros(channels), np.zeros((2, 2)), 1e9)


@dataclass(frozen=True)
class _Pair:
    """Two tiles, the positions of their common points in each one's list, and the trust (N,) in each."""

    i: int
    j: int
    at_i: NDArray[np.intp]
    at_j: NDArray[np.intp]
    weight: Array


def find_gains(
    names: Sequence[str],
    sizes: Sequence[tuple[int, int]],
    patches: Patches,
    weight: Sequence[Array],
    *,
    group: Sequence[int],
    settings: LevelSettings,
) -> tuple[list[Level], list[Array]]:
    """Solve all levels; returns them and per tile the (n, C) corrected light.

    weight : per tile (n,) 0..1 trust in what it sees (0 in lifted zones). group : bed per tile, -1 for none.
    """
    channels = patches.seen[0].light.shape[1]
    if not len(patches.xy):
        return [no_gain(name, channels) for name in names], [seen.light for seen in patches.seen]
    designs = [
        shading_basis(size, seen.at, settings.bed_degree) for size, seen in zip(sizes, patches.seen, strict=True)
    ]
    shared = _bed_index(group)
    state = _Unknown(
        np.zeros((len(names), channels)), np.zeros((len(names), channels)), np.zeros((len(names), OWN_TERMS)),
        np.zeros((max(shared, default=-1) + 1, designs[0][1].shape[1])),
    )  # fmt: skip
    pairs = _pairs(patches, weight, settings.most_points)
    for _ in range(settings.rounds):
        before = state
        state = _step(state, patches, pairs, designs, shared, settings)
        if max(np.abs(state.gain - before.gain).max(), np.abs(state.own - before.own).max()) < 1e-5:
            break
    levels = [_level(i, names[i], sizes[i], state, shared, settings) for i in range(len(names))]
    everything = [np.arange(len(seen.index)) for seen in patches.seen]
    return levels, [np.exp(_logs(state, patches, i, at, designs, shared)) for i, at in enumerate(everything)]


def shading_basis(size: tuple[int, int], xy: Array, degree: int) -> tuple[Array, Array]:
    """(N, 5) own terms u, v, u2, v2, uv and (N, K) Legendre products up to `degree`, on -1..1 over the tile.

    The bed's terms have no constant and no plain slopes along u or v beyond the own ones' prior.
    """
    u = 2 * xy[:, 0] / max(size[1] - 1, 1) - 1
    v = 2 * xy[:, 1] / max(size[0] - 1, 1) - 1
    own = np.column_stack([u, v, (3 * u * u - 1) / 2, (3 * v * v - 1) / 2, u * v])
    every = legvander2d(np.clip(u, -1, 1), np.clip(v, -1, 1), [degree, degree])
    order = np.add.outer(np.arange(degree + 1), np.arange(degree + 1)).ravel()
    return own, np.asarray(every[:, (order > 0) & (order <= degree)], np.float64)


def _bed_index(group: Sequence[int]) -> list[int]:
    """Dense bed number per tile; beds with fewer than two tiles get none (-1)."""
    shared = [g for g in sorted(set(group)) if g >= 0 and list(group).count(g) > 1]
    return [shared.index(g) if g in shared else -1 for g in group]


def _pairs(patches: Patches, weight: Sequence[Array], most: int) -> list[_Pair]:
    """Every two tiles that see enough places together, thinned evenly to `most` places."""
    found = []
    for i, one in enumerate(patches.seen):
        for j in range(i + 1, len(patches.seen)):
            two = patches.seen[j]
            if not len(one.index) or not len(two.index) or one.index[0] > two.index[-1] or two.index[0] > one.index[-1]:
                continue
            _, at_i, at_j = np.intersect1d(one.index, two.index, assume_unique=True, return_indices=True)
            trusted = weight[i][at_i] * weight[j][at_j]
            at_i, at_j, trusted = at_i[trusted > 0], at_j[trusted > 0], trusted[trusted > 0]
            step = max(1, -(-len(at_i) // most))
            at_i, at_j, trusted = at_i[::step], at_j[::step], trusted[::step]
            if len(at_i) >= 6:
                unrest = one.unrest[at_i] + two.unrest[at_j]
                dark = np.minimum(one.light[at_i].mean(1), two.light[at_j].mean(1))
                calm = 1 / (1 + (unrest / 0.15) ** 2) * (dark / (dark + 0.02)) ** 2
                found.append(_Pair(i, j, at_i, at_j, calm * trusted))
    return found


def _logs(
    state: _Unknown, patches: Patches, i: int, points: NDArray[np.intp], designs: Designs, shared: Sequence[int]
) -> Array:
    """(N, C) log of corrected light of tile i at some of its points."""
    shade = designs[i][0][points] @ state.own[i]
    if shared[i] >= 0:
        shade = shade + designs[i][1][points] @ state.bed[shared[i]]
    light = patches.seen[i].light[points]
    result: Array = np.log(np.maximum(light + state.offset[i], 1e-4)) + state.gain[i] + shade[:, None]
    return result


def _step(
    state: _Unknown,
    patches: Patches,
    pairs: Sequence[_Pair],
    designs: Designs,
    shared: Sequence[int],
    settings: LevelSettings,
) -> _Unknown:
    """One Gauss-Newton step with Cauchy weights over all pairs."""
    tiles, channels = state.gain.shape
    cut, own_end = tiles * channels, 2 * tiles * channels + state.own.size
    normal, right = _prior(state, settings, own_end + state.bed.size)
    for pair in pairs:
        rest = _logs(state, patches, pair.i, pair.at_i, designs, shared)
        rest = rest - _logs(state, patches, pair.j, pair.at_j, designs, shared)
        robust = pair.weight[:, None] / (1 + (rest / (2.385 * settings.agree)) ** 2) / settings.agree**2
        # neighboring points see the same unevenness: a pair counts as at most INDEPENDENT of them
        robust = robust * min(1.0, INDEPENDENT / len(rest))
        shading, shading_columns = _shading_rows(pair, designs, shared, state)
        for c in range(channels):
            rows, columns = _gain_rows(pair, patches, state, c)
            if settings.solve_shading:
                rows, columns = np.concatenate([rows, shading]), np.concatenate([columns, shading_columns])
            weighted = rows * robust[:, c]
            normal[np.ix_(columns, columns)] += weighted @ rows.T
            right[columns] -= weighted @ rest[:, c]
    step = np.linalg.solve(normal, right)
    return _Unknown(
        state.gain + step[:cut].reshape(tiles, channels),
        np.clip(state.offset + step[cut : 2 * cut].reshape(tiles, channels), -0.05, 0.05),
        state.own + step[2 * cut : own_end].reshape(state.own.shape),
        state.bed + step[own_end:].reshape(state.bed.shape),
    )


def _gain_rows(pair: _Pair, patches: Patches, state: _Unknown, c: int) -> tuple[Array, NDArray[np.intp]]:
    """Derivatives (4, N) of the log difference by both gains and both offsets of channel c, and their columns."""
    tiles, channels = state.gain.shape
    one = np.ones(len(pair.at_i))
    slope_i = 1 / np.maximum(patches.seen[pair.i].light[pair.at_i, c] + state.offset[pair.i, c], 1e-3)
    slope_j = 1 / np.maximum(patches.seen[pair.j].light[pair.at_j, c] + state.offset[pair.j, c], 1e-3)
    gain_i, gain_j = pair.i * channels + c, pair.j * channels + c
    columns = np.array([gain_i, gain_j, tiles * channels + gain_i, tiles * channels + gain_j])
    return np.stack([one, -one, slope_i, -slope_j]), columns


def _shading_rows(
    pair: _Pair, designs: Designs, shared: Sequence[int], state: _Unknown
) -> tuple[Array, NDArray[np.intp]]:
    """Derivatives (K, N) by own and bed shading, and their columns."""
    tiles, channels = state.gain.shape
    first_own, own_n, bed_n = 2 * tiles * channels, state.own.shape[1], state.bed.shape[1]
    first_bed = first_own + state.own.size
    rows = [designs[pair.i][0][pair.at_i].T, -designs[pair.j][0][pair.at_j].T]
    columns = [first_own + pair.i * own_n + np.arange(own_n), first_own + pair.j * own_n + np.arange(own_n)]
    for bed in sorted({shared[pair.i], shared[pair.j]} - {-1}):
        mine = designs[pair.i][1][pair.at_i] * (shared[pair.i] == bed)
        rows.append((mine - designs[pair.j][1][pair.at_j] * (shared[pair.j] == bed)).T)
        columns.append(first_bed + bed * bed_n + np.arange(bed_n))
    return np.concatenate(rows), np.concatenate(columns)


def _prior(state: _Unknown, settings: LevelSettings, total: int) -> tuple[Array, Array]:
    """Expected sizes on the diagonal; mean log gain and mean offset held at zero (the gauge)."""
    tiles, channels = state.gain.shape
    tiny = np.full(state.own.shape, settings.slope)
    tiny[:, 2:] = settings.slope / 3
    sigma = np.concatenate([
        np.full(state.gain.size, settings.gain), np.full(state.offset.size, settings.offset),
        tiny.ravel(), np.full(state.bed.size, settings.fall),
    ])  # fmt: skip
    value = np.concatenate([state.gain.ravel(), state.offset.ravel(), state.own.ravel(), state.bed.ravel()])
    normal = np.diag(1 / sigma**2)
    right = -value / sigma**2
    for start, current, hold in ((0, state.gain, 1e3), (tiles * channels, state.offset, 1e5)):
        for c in range(channels):
            columns = start + np.arange(tiles) * channels + c
            normal[np.ix_(columns, columns)] += hold**2 / tiles
            right[columns] -= hold**2 / tiles * current[:, c].sum()
    return normal, right


def _level(
    i: int, name: str, size: tuple[int, int], state: _Unknown, shared: Sequence[int], settings: LevelSettings
) -> Level:
    spacing = max(size) / 48
    xs = np.arange(int(np.ceil((size[1] - 1) / spacing)) + 1) * spacing
    ys = np.arange(int(np.ceil((size[0] - 1) / spacing)) + 1) * spacing
    grid = np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2)
    own, bed = shading_basis(size, grid, settings.bed_degree)
    shade = own @ state.own[i] + (bed @ state.bed[shared[i]] if shared[i] >= 0 else 0)
    return Level(name, np.exp(state.gain[i]), state.offset[i], shade.reshape(len(ys), len(xs)), spacing)
