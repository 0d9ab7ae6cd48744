"""I tell lost light from exposure across an overlap: a lift goes out from a piece's edge inward, a gain does not.

In: what the pieces see at common places. Out: per piece the share of light that lift takes there, a first estimate
for where an overlap lies under a lift as a whole, which shows no place from which gains could be taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitchbed.core.arrays import Array, Ints
from stitchbed.core.memory import late
from stitchbed.imaging.transfer import curve_term
from stitchbed.matching.robust import cauchy_weights
from stitchbed.mosaic.photometry.gain_compensation import DARKEST, bed_index, pairs_of, shading_basis
from stitchbed.mosaic.photometry.level_equations import (
    ALIKE,
    INDEPENDENT,
    LevelSettings,
    Pair,
    shading_rows,
    shading_sizes,
)
from stitchbed.mosaic.photometry.overlap_samples import Patches

linalg, optimize = late("scipy.linalg"), late("scipy.optimize")

REACHES = (
    5.0,
    8.0,
    13.0,
    20.0,
    32.0,
)  # mm from the edge to where the sheet lies flat; a sum of them takes any such shape
POWER = 1.5  # of the fall-off towards the edge: paper bends away from the glass, it does not break
AGREE = (0.06, 0.02, 0.006)  # log light that counts as agreement, from a first look on
MOST_POINTS = 300  # of an overlap: enough for shapes as broad as these
GAIN = 0.1  # expected log gain; what an overlap shows as flat outweighs it at once
LEAST_WANTED = 1e-6  # of its price, by which a lift is wanted beside others
PRICE = 10.0  # cost of one whole log of lost light: of two answers the one with less lift is taken


@dataclass(frozen=True)
class _Shared:
    """What an overlap says: left (N,) difference of log light; rows (K, N) its derivatives by the unknowns `columns`;
    weight (N,)."""

    left: Array
    rows: Array
    columns: Ints
    weight: Array


_Block = tuple[Ints, Array]  # unknowns of an overlap, and its normal equations by them


def lost_light(
    sizes: Sequence[tuple[int, int]],
    patches: Patches,
    px_per_mm: Sequence[float],
    *,
    group: Sequence[int],
    settings: LevelSettings,
) -> list[Array]:
    """Per piece (n,) share 0..1 of its light that lift takes at its points, as far as overlaps tell. group : bed per
    piece.

    Log light is gain, tone curve, black and shading, of any sign, less sums of (1 - depth/reach)^1.5, none of which may
    add light: least squares with Cauchy weights and a price on lift, by non-negative least squares (Lawson and Hanson,
    1974).
    """
    looks = list(zip(sizes, [seen.at for seen in patches.seen], strict=True))
    pairs = pairs_of(patches, [np.ones(len(at)) for _, at in looks], replace(settings, most_points=MOST_POINTS))
    if not pairs:
        return [np.zeros(len(at)) for _, at in looks]
    designs, shared = [shading_basis(*look, settings.bed_degree) for look in looks], bed_index(group)
    profiles = [_profiles(*look, scale) for look, scale in zip(looks, px_per_mm, strict=True)]
    tones = [_tones(np.maximum(seen.light.mean(1), DARKEST)) for seen in patches.seen]
    shades = shading_sizes(len(sizes), max(shared) + 1, settings)
    expected = np.concatenate([shades, np.tile([GAIN, settings.curve, settings.offset], len(sizes))])
    said = [_said(pair, tones, shading_rows(pair, designs, shared, 0), profiles, len(shades)) for pair in pairs]
    found = np.zeros(len(expected) + len(sizes) * profiles[0].shape[1])
    for agree in AGREE:
        found = _solved(*_system(said, found, agree), expected)
    lifts = found[len(expected) :].reshape(len(sizes), -1)
    return [1 - np.exp(-shapes @ lift) for shapes, lift in zip(profiles, lifts, strict=True)]


def _profiles(size: tuple[int, int], at: Array, px_per_mm: float) -> Array:
    """(N, 4 * reaches * 2) what a lift of each side and reach, growing to either end of it, does at (N, 2) px."""
    u, v = at[:, 0] / max(size[1] - 1, 1), at[:, 1] / max(size[0] - 1, 1)
    width, height = size[1] / px_per_mm, size[0] / px_per_mm
    columns = []
    for depth, along in ((u * width, v), ((1 - u) * width, v), (v * height, u), ((1 - v) * height, u)):
        for reach in REACHES:
            shape = np.clip(1 - depth / reach, 0, 1) ** POWER
            columns += [shape * (1 - along), shape * along]
    return np.column_stack(columns)


def _tones(light: Array) -> Array:
    """(4, N) log of light (N,), then its derivatives by gain, exponent and black: on dark tones, where a lift takes a
    third of the light, so may these, and they change with the tone where a lift changes with the place."""
    return np.stack([np.log(light), np.ones_like(light), curve_term(light), 1 / light])


def _said(
    pair: Pair, tones: Sequence[Array], shading: tuple[Array, Ints], profiles: Sequence[Array], first_tone: int
) -> _Shared:
    """What one overlap says of shading, levels, and lifts, in this order of unknowns. tones : see `_tones`."""
    ends, at, kinds = (pair.i, pair.j), (pair.at_i, pair.at_j), profiles[0].shape[1]
    one, two = (tones[tile][:, points] for tile, points in zip(ends, at, strict=True))
    shapes = [profiles[tile][points].T for tile, points in zip(ends, at, strict=True)]
    told = len(one) - 1
    first_lift = first_tone + len(tones) * told
    columns = [first_tone + tile * told + np.arange(told) for tile in ends]
    columns += [first_lift + tile * kinds + np.arange(kinds) for tile in ends]
    rows = np.concatenate([shading[0], one[1:], -two[1:], shapes[0], -shapes[1]])
    weight = pair.weight.mean(1) * min(ALIKE, INDEPENDENT / len(pair.at_i))
    return _Shared(one[0] - two[0], rows, np.concatenate([shading[1], *columns]), weight)


def _system(said: Sequence[_Shared], found: Array, agree: float) -> tuple[list[_Block], Array]:
    """Normal equations of all overlaps, weighed by what is left with what was found so far."""
    blocks, right = [], np.zeros(len(found))
    for one in said:
        left = one.left + found[one.columns] @ one.rows
        weighed = one.rows * (one.weight * cauchy_weights((left / agree) ** 2) / agree**2)
        blocks.append((one.columns, weighed @ one.rows.T))
        right[one.columns] -= weighed @ one.left
    return blocks, right


def _solved(blocks: Sequence[_Block], right: Array, expected: Array) -> Array:
    """Terms of any sign, of expected sizes, then lifts of one sign. The first are eliminated.

    Few lifts are worth their price: the equations of those alone are solved, and of more as long as some are wanted
    beside them (what is left out of the solution then is what non-negative least squares of all would leave at 0).
    """
    unknowns, terms = np.arange(len(right)), np.arange(len(expected))
    factor = linalg.cho_factor(_gathered(blocks, terms, terms, len(right)) + np.diag(1 / expected**2), lower=True)
    found = np.concatenate([linalg.cho_solve(factor, right[terms]), np.zeros(len(right) - len(terms))])
    tried = np.zeros(len(right), bool)
    while True:
        wanted = right - _times(blocks, found) - found - PRICE
        more = ~tried & (unknowns >= len(terms)) & (wanted > LEAST_WANTED * PRICE)
        if not more.any():
            return found
        tried |= more
        some = np.flatnonzero(tried)
        to_terms = _gathered(blocks, terms, some, len(right))
        across = linalg.cho_solve(factor, to_terms)
        rest = _gathered(blocks, some, some, len(right)) - to_terms.T @ across + np.eye(len(some))
        root = linalg.cholesky(rest, lower=True)
        value = right[some] - across.T @ right[terms] - PRICE
        found[some] = optimize.nnls(root.T, linalg.solve_triangular(root, value, lower=True))[0]
        found[terms] = linalg.cho_solve(factor, right[terms]) - across @ found[some]


def _times(blocks: Sequence[_Block], found: Array) -> Array:
    """The normal equations' left side of what was found."""
    sums = np.zeros(len(found))
    for columns, block in blocks:
        sums[columns] += block @ found[columns]
    return sums


def _gathered(blocks: Sequence[_Block], down: Ints, across: Ints, count: int) -> Array:
    """Some rows and columns of the normal equations of so many unknowns."""
    row, col = np.full(count, -1), np.full(count, -1)
    row[down], col[across] = np.arange(len(down)), np.arange(len(across))
    sums = np.zeros((len(down), len(across)))
    for columns, block in blocks:
        rows, cols = (np.flatnonzero(at[columns] >= 0) for at in (row, col))
        sums[np.ix_(row[columns[rows]], col[columns[cols]])] += block[np.ix_(rows, cols)]
    return sums
