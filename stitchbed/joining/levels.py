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

from stitchbed.joining.patches import Patches

Array = NDArray[np.float64]
Floats = NDArray[np.float32]


@dataclass(frozen=True)
class LevelSettings:
    """spacing_mm: grid of comparison. bed_degree: order of the shared fall-off. gain, offset, slope, fall: expected sizes
    (log, linear, log, log) of gain differences, black offsets, drift over a scan, shared fall-off (lamp warm-up ~1 %,
    repeat scans .1-.3 %, consumer beds a few %; DEVELOPERS.md). agree: relative difference that counts as agreement.
    """

    spacing_mm: float = 4.0
    bed_degree: int = 4
    gain: float = 0.3
    offset: float = 0.01
    slope: float = 0.02
    fall: float = 0.04
    agree: float = 0.006
    rounds: int = 12
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


def no_level(name: str, channels: int) -> Level:
    """A level that changes nothing."""
    return Level(name, np.ones(channels), np.zeros(channels), np.zeros((2, 2)), 1e9)


def find_levels(
    names: Sequence[str],
    sizes: Sequence[tuple[int, int]],
    patches: Patches,
    weight: Array,
    *,
    group: Sequence[int],
    settings: LevelSettings,
) -> tuple[list[Level], Array]:
    """Solve all levels; returns them and the (T, P, C) corrected light.

    weight : (T, P) 0..1 trust in what a tile sees there (0 in lifted zones). group : bed per tile, -1 for none.
    """
    tiles, channels = patches.light.shape[0], patches.light.shape[2]
    if patches.light.shape[1] == 0:
        return [no_level(name, channels) for name in names], patches.light
    own, bed = _designs(sizes, patches, settings)
    shared = _bed_index(group, patches)
    state = _Unknown(
        np.zeros((tiles, channels)), np.zeros((tiles, channels)), np.zeros((tiles, own.shape[2])),
        np.zeros((max(shared, default=-1) + 1, bed.shape[2])),
    )  # fmt: skip
    pairs = _pairs(patches, weight)
    for _ in range(settings.rounds):
        state = _step(state, patches, pairs, (own, bed), shared, settings)
    levels = [_level(i, names[i], sizes[i], state, shared, settings) for i in range(tiles)]
    return levels, _corrected(state, patches, (own, bed), shared)


def shading_basis(size: tuple[int, int], xy: Array, degree: int) -> tuple[Array, Array]:
    """(N, 5) own terms u, v, u2, v2, uv and (N, K) Legendre products up to `degree`, on -1..1 over the tile.

    The bed's terms have no constant and no plain slopes along u or v beyond the own ones' prior.
    """
    u = 2 * xy[:, 0] / max(size[1] - 1, 1) - 1
    v = 2 * xy[:, 1] / max(size[0] - 1, 1) - 1
    own = np.column_stack([u, v, (3 * u * u - 1) / 2, (3 * v * v - 1) / 2, u * v])
    every = legvander2d(np.clip(u, -1, 1), np.clip(v, -1, 1), [degree, degree])
    order = np.add.outer(np.arange(degree + 1), np.arange(degree + 1)).ravel()
    return own, every[:, (order > 0) & (order <= degree)]


def _designs(sizes: Sequence[tuple[int, int]], patches: Patches, settings: LevelSettings) -> tuple[Array, Array]:
    both = [shading_basis(size, at, settings.bed_degree) for size, at in zip(sizes, patches.at, strict=True)]
    own, bed = np.stack([b[0] for b in both]), np.stack([b[1] for b in both])
    outside = ~patches.seen
    own[outside] = 0
    bed[outside] = 0
    return own, bed


def _bed_index(group: Sequence[int], patches: Patches) -> list[int]:
    """Dense bed number per tile; beds with fewer than two tiles get none (-1)."""
    shared = [g for g in sorted(set(group)) if g >= 0 and list(group).count(g) > 1]
    return [shared.index(g) if g in shared else -1 for g in group]


def _pairs(patches: Patches, weight: Array) -> list[tuple[int, int, NDArray[np.intp], Array]]:
    """(i, j, points, weight) of every two tiles that see enough places together."""
    found = []
    count = len(patches.seen)
    for i in range(count):
        for j in range(i + 1, count):
            both = np.flatnonzero(patches.seen[i] & patches.seen[j] & (weight[i] * weight[j] > 0))
            if len(both) >= 6:
                unrest = patches.unrest[i, both] + patches.unrest[j, both]
                dark = np.minimum(patches.light[i, both].mean(1), patches.light[j, both].mean(1))
                calm = 1 / (1 + (unrest / 0.15) ** 2) * (dark / (dark + 0.02)) ** 2
                found.append((i, j, both, calm * weight[i, both] * weight[j, both]))
    return found


def _logs(state: _Unknown, patches: Patches, i: int, points: NDArray[np.intp], designs: tuple[Array, Array], shared: Sequence[int]) -> Array:
    """(N, C) log of corrected light of tile i."""
    shade = designs[0][i, points] @ state.own[i]
    if shared[i] >= 0:
        shade = shade + designs[1][i, points] @ state.bed[shared[i]]
    return np.log(np.maximum(patches.light[i, points] + state.offset[i], 1e-4)) + state.gain[i] + shade[:, None]


def _step(
    state: _Unknown,
    patches: Patches,
    pairs: Sequence[tuple[int, int, NDArray[np.intp], Array]],
    designs: tuple[Array, Array],
    shared: Sequence[int],
    settings: LevelSettings,
) -> _Unknown:
    """One Gauss-Newton step with Cauchy weights over all pairs."""
    tiles, channels = state.gain.shape
    own_n, bed_n = state.own.shape[1], state.bed.shape[1]
    first_own, first_bed = 2 * tiles * channels, 2 * tiles * channels + tiles * own_n
    total = first_bed + state.bed.size
    normal, right = _prior(state, settings, total)
    for i, j, points, trust in pairs:
        rest = _logs(state, patches, i, points, designs, shared) - _logs(state, patches, j, points, designs, shared)
        robust = trust[:, None] / (1 + (rest / (2.385 * settings.agree)) ** 2) / settings.agree**2
        # neighboring points see the same unevenness: a pair counts as at most 400 independent ones
        robust = robust * min(1.0, 400 / len(points))
        for c in range(channels):
            columns, values = [], []
            for sign, tile in ((1.0, i), (-1.0, j)):
                slope = 1 / np.maximum(patches.light[tile, points, c] + state.offset[tile, c], 1e-3)
                columns += [tile * channels + c, tiles * channels + tile * channels + c]
                values += [np.full(len(points), sign), sign * slope]
                if settings.solve_shading:
                    columns += list(first_own + tile * own_n + np.arange(own_n))
                    values += list(sign * designs[0][tile, points].T)
            if settings.solve_shading:
                for bed_index in {shared[i], shared[j]} - {-1}:
                    columns += list(first_bed + bed_index * bed_n + np.arange(bed_n))
                    mine = designs[1][i, points] * (shared[i] == bed_index) - designs[1][j, points] * (shared[j] == bed_index)
                    values += list(mine.T)
            rows = np.stack(values)
            weighted = rows * robust[:, c]
            normal[np.ix_(columns, columns)] += weighted @ rows.T
            right[columns] -= weighted @ rest[:, c]
    step = np.linalg.solve(normal, right)
    cut = tiles * channels
    return _Unknown(
        state.gain + step[:cut].reshape(tiles, channels),
        np.clip(state.offset + step[cut : 2 * cut].reshape(tiles, channels), -0.05, 0.05),
        state.own + step[first_own:first_bed].reshape(tiles, own_n),
        state.bed + step[first_bed:].reshape(state.bed.shape),
    )


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


def _corrected(state: _Unknown, patches: Patches, designs: tuple[Array, Array], shared: Sequence[int]) -> Array:
    everywhere = np.arange(patches.seen.shape[1])
    return np.exp(np.stack([_logs(state, patches, i, everywhere, designs, shared) for i in range(len(patches.seen))]))
