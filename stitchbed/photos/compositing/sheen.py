"""I find a lamp's reflection on a work in a single photo: light that is added, softly, to whatever is drawn.

In: a flat view in linear light. Out: where, and by how much. Works that are soft all over tell little, only
what no pigment can leave bare.

Uneven lamps multiply: neighbors differ by a share of their own tone. A reflection adds: neighbors differ by as much in
black as in white, and in red, green and blue alike. Both are fitted to the small differences between neighbors, where
nothing drawn ends; what is drawn adds differences of its own, which follow neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import label
from scipy.sparse import csr_array, diags_array, hstack, kron

from stitchbed.core.arrays import Array, Floats
from stitchbed.matching.robust import robust_sigma, tukey_weights
from stitchbed.photos.compositing.glare import regions_mm
from stitchbed.photos.compositing.illumination import belief_weights, polynomial

CELL_MM, MOST_CELLS = 6.0, 80  # places are squares of this side, wider in works of more than so many along
TONES = (0.1, 0.5, 0.9)  # quantiles of the light in a place: its darks, its middle, its paper
WHITE, DIMMEST = 0.97, 0.4  # quantile of the lightest tones: a reflection's color; the least light that is white
KNOT_CELLS = 3  # reflections are told as coarsely as this
ORDER = 3  # of uneven lamps' light: bends once from side to side, which a reflection does not
JUMP = 0.06  # share of white: neighbors that differ by more show two things
LEAST_SPREAD = 0.003  # share of white: how well knots follow a reflection of 12 mm sigma
ADDED = 0.1  # sigma, share of white: what nothing but one tone tells is taken for uneven light
ROUNDS = 8  # of reweighting
FEWEST = 200  # pairs of neighbors that must be alike
NOWHERE = 0.1  # quantile of what is found that counts as no reflection
BRIGHTER = 0.08  # share of white that is told; watercolor paper scatters by a third of that
DARKER, MOST_DARKER = 0.03, 0.05  # share of white by which darks may lie below what was added to them; share of places
MOST_COLORED = 0.35  # of what is found, by which red, green and blue may differ in it
MOST_TINTED = 0.12  # of a reflection's light, by which its color may be off a lamp's; a single pigment's is off by more
MOST_MIXED, WIDE = 0.05, 0.1  # of one color that wide ones must be throughout; share of the view that is wide
WIDEST, MOST_SPOTS = 0.25, 3  # share of the view, and how many parts, that are bright by half; washes leave more bare
LEAST_SPOT = 0.1  # of the largest of those parts, to be counted
MOST_GRAINY = 0.04  # of their tone, by which neighbors may differ that show one thing; more, and any law fits
GRAINIER = 0.1  # of what is found, by which they may differ besides: a strong reflection stands out from coarse paint


@dataclass(frozen=True)
class Sheen:
    """share : of the view. strength : how much light it adds, share of white. regions : boxes, mm, largest first."""

    share: float
    strength: float
    regions: list[dict[str, float]]


def sheen_on(flat: Floats, density: float) -> Sheen | None:
    """Sheen in a flat view (h, w, channels) of a work at `density` px/mm; None when there is none to be told."""
    cell_mm = max(CELL_MM, max(flat.shape[:2]) / density / MOST_CELLS)
    side = max(2, round(cell_mm * density))
    light = _tones(flat, side)
    white = _white(light)
    tones = light / white
    if min(tones.shape[1:3]) <= KNOT_CELLS:
        return None
    pairs = _pairs(tones)
    if pairs.across.shape[0] < FEWEST:
        return None
    added, by_channel, spread = _added(pairs)
    lift = (added - np.quantile(added, NOWHERE)).reshape(tones.shape[1:3])
    off = by_channel - by_channel.mean(axis=0) - (added - added.mean())[:, None]
    colored = float(np.sqrt(np.mean(off**2))) / max(float(added.std()), 1e-9)
    too_dark = float(np.mean(tones[0].min(axis=-1) < lift - DARKER))
    most_grainy = (MOST_GRAINY + GRAINIER * float(lift.max())) * float(pairs.mean.mean())
    if colored > MOST_COLORED or too_dark > MOST_DARKER or spread > most_grainy:
        return None
    mask = lift > BRIGHTER
    if not mask.any() or _pigment(lift, by_channel, white):
        return None
    return Sheen(float(mask.mean()), float(lift.max()), regions_mm(mask, density / side))


def _pigment(lift: Array, by_channel: Array, white: Array) -> bool:
    """Whether what seems added is where less pigment lies: of a color that is no lamp's, of several colors over a wide
    area, or over too wide an area or too many parts of it, as paper is that gray washes leave bare.

    lift : (rows, columns) light added. by_channel : (places, channels) by each alone. white : (channels,) its unit.
    """
    mask = lift.ravel() > BRIGHTER
    own, all_in = (by_channel - np.quantile(by_channel, NOWHERE, axis=0))[mask], lift.ravel()[mask]
    color = all_in @ own / (all_in @ all_in)
    tinted = min(float(np.std(one)) / max(float(np.mean(one)), 1e-9) for one in (color, color * white))
    mixed = float(np.sqrt(np.mean((own - np.outer(all_in, color)) ** 2)) / all_in.mean())
    half = lift > lift.max() / 2
    parts = np.bincount(label(half)[0].ravel())[1:]
    wide, spots = float(half.mean()), int(np.sum(parts >= LEAST_SPOT * parts.max()))
    return tinted > MOST_TINTED or (mixed > MOST_MIXED and wide > WIDE) or wide > WIDEST or spots > MOST_SPOTS


def _tones(flat: Floats, side: int) -> Array:
    """(TONES, rows, columns, channels) light in each whole place."""
    rows, columns = flat.shape[0] // side, flat.shape[1] // side
    cells = flat[: rows * side, : columns * side].reshape(rows, side, columns, side, -1).swapaxes(1, 2)
    tones = np.quantile(cells.reshape(rows, columns, side * side, -1), TONES, axis=2)
    return np.asarray(tones, dtype=np.float64)


def _white(tones: Array) -> Array:
    """(channels,) light that counts as white."""
    white = np.quantile(tones[-1].reshape(-1, tones.shape[-1]), WHITE, axis=0)
    return np.asarray(np.maximum(white, DIMMEST), dtype=np.float64)


@dataclass(frozen=True)
class _Pairs:
    """Neighbors of nearly one tone. apart, mean : (N, channels) their difference and their light.

    across : (N, places) sparse, which place less which. lamps : (places, T). bumps : (places, K) sparse.
    """

    apart: Array
    mean: Array
    across: csr_array
    lamps: Array
    bumps: csr_array


def _pairs(tones: Array) -> _Pairs:
    _, rows, columns, channels = tones.shape
    place = np.arange(rows * columns).reshape(rows, columns)
    first = np.concatenate([place[1:].ravel(), place[:, 1:].ravel()])
    second = np.concatenate([place[:-1].ravel(), place[:, :-1].ravel()])
    light = tones.reshape(len(TONES), rows * columns, channels)
    apart = light[:, first] - light[:, second]
    like = np.abs(apart).max(axis=-1) < JUMP
    mean = (light[:, first] + light[:, second])[like] / 2
    a, b = (np.broadcast_to(one, like.shape)[like] for one in (first, second))
    each = np.repeat(np.arange(len(a)), 2)
    signs = np.tile([1.0, -1.0], len(a))
    across = csr_array((signs, (each, np.stack([a, b], 1).ravel())), shape=(len(a), rows * columns))
    y, x = np.indices((rows, columns)).reshape(2, -1) - np.array([[rows - 1], [columns - 1]]) / 2
    lamps = polynomial(np.stack([x, y], 1) / (max(rows, columns) / 2), ORDER)[:, 1:]
    return _Pairs(apart[like], mean, across, lamps, csr_array(kron(_splines(rows), _splines(columns))))


def _splines(count: int) -> csr_array:
    """(count, K) cubic B-splines over places in a row, their knots KNOT_CELLS apart or a little less."""
    spans = -(-(count - 1) // KNOT_CELLS)
    away = np.abs(np.arange(count)[:, None] * spans / (count - 1) - np.arange(-1, spans + 2))
    near, far = 2 / 3 - away**2 + away**3 / 2, np.clip(2 - away, 0, None) ** 3 / 6
    return csr_array(np.where(away < 1, near, far))


def _added(pairs: _Pairs) -> tuple[Array, Array, float]:
    """Light added at each place (places,), by each channel alone (places, channels), and how far neighbors are off."""
    lamps, bumps = csr_array(pairs.across @ pairs.lamps), csr_array(pairs.across @ pairs.bumps)
    designs = [_design(lamps, bumps, mean) for mean in pairs.mean.T]
    beliefs = np.concatenate([belief_weights(ORDER), np.full(bumps.shape[1], ADDED**-2)])
    weights, spread = np.full(len(pairs.apart), LEAST_SPREAD**-2), LEAST_SPREAD
    solution = np.zeros(len(beliefs))
    for _ in range(ROUNDS):
        solution = _solved(designs, pairs.apart.T, weights, beliefs)
        left = pairs.apart - np.stack([design @ solution for design in designs], 1)
        away = np.abs(left).max(axis=1)
        spread = max(LEAST_SPREAD, robust_sigma(away))
        weights = tukey_weights(away / spread) / spread**2
    each = beliefs / len(designs)  # believed as firmly against one channel as against all
    alone = [_solved([one], [apart], weights, each) for one, apart in zip(designs, pairs.apart.T, strict=True)]
    added, *by_channel = (pairs.bumps @ one[-bumps.shape[1] :] for one in (solution, *alone))
    return added, np.stack(by_channel, 1), spread


def _design(lamps: csr_array, bumps: csr_array, mean: Array) -> csr_array:
    """How differences of one channel come about: uneven lamps multiply its light, what is added does not."""
    return csr_array(hstack([diags_array(mean) @ lamps, bumps]))


def _solved(designs: Sequence[csr_array], apart: Sequence[Array] | Array, weights: Array, beliefs: Array) -> Array:
    """Weighted least squares over some channels, with beliefs."""
    normal, right = np.diag(beliefs), np.zeros(len(beliefs))
    for design, values in zip(designs, apart, strict=True):
        weighted = csr_array(design.T @ diags_array(weights))
        normal = normal + (weighted @ design).toarray()
        right = right + weighted @ values
    return np.asarray(np.linalg.solve(normal, right))
