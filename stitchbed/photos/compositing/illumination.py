"""I find how unevenly a flat work was lit, from places that should look alike, and say what to divide by.

In: places on the canvas in mm, linear light there, which of them share one reflectance. Out: a smooth `LightField`.

The logarithm of light is a polynomial of the place; each kind of place (a gray step, the board) has its own
reflectance, which is found along with it. How well light is known on the work follows from what the places leave, how
alike neighbors among them are (planks and folds count as few places), and what is believed of light beforehand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.matching.robust import robust_sigma, tukey_weights

ROUNDS = 12  # of reweighting; the weights stand still after five
LEAST_SPREAD = 0.002  # robust sigma is never taken smaller: paper is not more even than that
DARKEST = 0.004  # linear light below which a place says nothing about the light on it
MOST_LOG = 5.0  # a hundred and fifty times brighter or darker: beyond what any photo holds
BELIEVED = (0.6, 0.15, 0.05)  # sigma of terms of order 1, 2, 3 on: lamps, lenses (common practice, no source)
UNFOLLOWED = 0.004  # share: what a polynomial leaves of a lamp near the work (measured on own lamps)
BROAD_MM, FEWEST_THERE = 30.0, 8  # side of a broad square, and places in it that tell its tone
LEAST_SQUARES = 40  # with fewer of them places count one by one
MOST_SIGMAS = 5.0  # a place of another tone says no more against its neighbors
MOST_ALIKE = 0.95  # correlation of neighbors: beyond, all of a row is one place
GRID = 33  # places across and down at which the field's brightest and darkest are looked for


@dataclass(frozen=True)
class LightField:
    """Light on the canvas relative to its brightest place, per channel.

    center : (2,) mm. known : (2,) mm from there within which it was fitted; beyond, it stays as at the nearest place.
    reach : mm that count as 1. order : of the polynomial. coefficients : (T, channels), log light.
    peak : (channels,) log light at the brightest place of the work. source : where it came from, in words.
    residual : share, robust sigma of what it leaves. inliers : share of places that agree. uneven : share of light lost
    at the darkest place of the work. error : share, sigma by which the light may be wrong between places of the work.
    varies : share, standard deviation of the light over the work.
    """

    center: Array
    known: Array
    reach: float
    order: int
    coefficients: Array
    peak: Array
    source: str
    residual: float
    inliers: float
    uneven: float
    error: float
    varies: float


def fit_light(
    xy: Array,
    light: Array,
    kinds: Sequence[str],
    *,
    size_mm: tuple[float, float],
    order: int,
    source: str,
    side: float | None = None,
) -> LightField | None:
    """Fit a field to light (N, channels) at places (N, 2) mm on a canvas of size_mm (width, height).

    side : mm between neighbors, of places on a grid, whose own tones may be alike; None for places that stand alone.
    Returns None when too few places are bright enough to tell.
    """
    names = np.array(kinds)
    bright = np.all(light > DARKEST, axis=1)
    xy, light, names = xy[bright], light[bright], names[bright]
    center = np.array(size_mm) / 2
    reach = float(max(size_mm)) / 2
    terms = polynomial((xy - center) / reach, order)[:, 1:]
    kinds_of = np.unique(names)
    design = np.column_stack([terms, *[(names == kind).astype(float) for kind in kinds_of]])
    if len(xy) < design.shape[1] + 2:
        return None
    beliefs = np.concatenate([belief_weights(order), np.zeros(len(kinds_of))])  # nothing is believed of reflectances
    fit = robust_fit(design, np.log(light), beliefs)
    coefficients = np.vstack([np.zeros((1, light.shape[1])), fit.solution[: terms.shape[1]]])
    on_work = polynomial((_grid(center) - center) / reach, order)
    log_light = on_work @ coefficients
    peak = log_light.max(0)
    uneven = 1 - float(np.exp((log_light - peak).mean(1).min()))
    known = np.maximum(np.abs(xy - center).max(0), center)
    away = on_work[:, 1:] - on_work[:, 1:].mean(axis=0)
    covariance = fit.covariance[: terms.shape[1], : terms.shape[1]]
    alike = 1.0 if side is None else _counted_twice(xy, fit.left, side)
    error = float(np.sqrt(UNFOLLOWED**2 + alike * np.einsum("ij,jk,ik->i", away, covariance, away).mean()))
    varies = float(log_light.mean(axis=1).std())
    return LightField(
        center, known, reach, order, coefficients, peak, source, fit.spread, fit.agreeing, uneven, error, varies
    )


def broad_squares(xy: Array, light: Array, side: float) -> tuple[Array, Array, float]:
    """Places (N, 2) mm `side` apart and their light (N, channels), averaged over squares of BROAD_MM where there are
    enough of them, and how far apart they are then: a weave averages out in a square.
    """
    _, square, count = np.unique(np.floor(xy / BROAD_MM), axis=0, return_inverse=True, return_counts=True)
    filled = count >= FEWEST_THERE
    if np.count_nonzero(filled) < LEAST_SQUARES:
        return xy, light, side
    means = [
        np.column_stack([np.bincount(square.ravel(), column, len(count)) for column in values.T]) / count[:, None]
        for values in (xy, light)
    ]
    return means[0][filled], means[1][filled], BROAD_MM


def alike_in_channels(field: LightField, most: float) -> LightField:
    """The field with one falloff for all channels, where theirs differ by no more than a share `most` over the work."""
    color = np.log(light_at(field, _grid(field.center)))
    color -= color.mean(axis=1, keepdims=True)
    if np.abs(color - color.mean(axis=0)).max() > most:
        return field
    one = field.coefficients.mean(axis=1, keepdims=True)
    return replace(
        field,
        coefficients=np.repeat(one, field.coefficients.shape[1], axis=1),
        peak=np.full_like(field.peak, field.peak.mean()),
    )


def light_at(field: LightField, xy: Array) -> Array:
    """(N, channels) light relative to the brightest place of the work, at canvas places (N, 2) mm.

    Beyond the places a field was fitted at it means nothing; there it stays as it is at the nearest of them.
    """
    near = np.clip(xy - field.center, -field.known, field.known)
    terms = polynomial(near / field.reach, field.order)
    log_light = np.clip(terms @ field.coefficients - field.peak, -MOST_LOG, MOST_LOG)
    return np.asarray(np.exp(log_light), dtype=np.float64)


def _grid(center: Array) -> Array:
    """(GRID^2, 2) mm of places all over the work round its center."""
    return np.stack(np.meshgrid(*[np.linspace(0, 2 * half, GRID) for half in center]), -1).reshape(-1, 2)


def polynomial(xy: Array, order: int) -> Array:
    """(N, T) products x^i y^j of total order 0 .. order, lowest first."""
    across, down = np.polynomial.polynomial.polyvander(xy.T, order).transpose(0, 2, 1)
    return np.stack([across[n - j] * down[j] for n in range(order + 1) for j in range(n + 1)], axis=1)


def belief_weights(order: int) -> Array:
    """(terms,) one over the variance of the believed size of each term of log light, of order 1 to `order`."""
    return np.array([1 / BELIEVED[min(n, len(BELIEVED)) - 1] ** 2 for n in range(1, order + 1) for _ in range(n + 1)])


@dataclass(frozen=True)
class Fitted:
    """solution : (unknowns, channels). covariance : (unknowns, unknowns), of one channel. left : (N,) in sigmas, mean
    of the channels, cut at MOST_SIGMAS. weights : (N,) of the places. spread : robust sigma of what is left.
    """

    solution: Array
    covariance: Array
    left: Array
    weights: Array
    spread: float

    @property
    def agreeing(self) -> float:
        """Share of the places that count."""
        return float(np.mean(self.weights > 0.1))


def robust_fit(design: Array, values: Array, beliefs: Array, noise: float = LEAST_SPREAD) -> Fitted:
    """Least squares with Tukey's weights and beliefs.

    design : (N, unknowns). values : (N, channels). beliefs : (unknowns,) one over the variance of what is believed, 0
    for nothing. noise : of a value, believed at least when data are weighed against beliefs.
    """
    weights, spread = np.ones(len(design)), 1.0
    solution = np.zeros((design.shape[1], values.shape[1]))
    normal = np.eye(design.shape[1])
    for _ in range(ROUNDS):
        weighted = design.T * weights / max(spread, noise) ** 2
        normal = weighted @ design + np.diag(beliefs)
        solution = np.asarray(np.linalg.solve(normal, weighted @ values), dtype=np.float64)
        left = values - design @ solution
        spread = max(LEAST_SPREAD, robust_sigma(np.abs(left).max(axis=1)))
        weights = tukey_weights(np.abs(left).max(axis=1) / spread)
    sigmas = np.clip(left.mean(axis=1) / spread, -MOST_SIGMAS, MOST_SIGMAS)
    return Fitted(solution, np.asarray(np.linalg.inv(normal)), sigmas, weights, spread)


def _counted_twice(xy: Array, left: Array, side: float) -> float:
    """How many neighbors on a grid tell no more than one of them, from how alike they are across and down.

    A row of values correlated by r from one to the next tells as much as (1 - r) / (1 + r) of its length.
    Reference: Bayley & Hammersley (1946), doi 10.2307/2983560.
    """
    at = {place: index for index, place in enumerate(map(tuple, np.floor(xy / side).astype(int).tolist()))}
    variance = max(float(np.mean(left**2)), 1e-12)
    factor = 1.0
    for across, down in ((1, 0), (0, 1)):
        pairs = [(i, at[x + across, y + down]) for (x, y), i in at.items() if (x + across, y + down) in at]
        products = [left[i] * left[j] for i, j in pairs] or [variance]  # without neighbors nothing shows them unlike
        alike = float(np.clip(np.mean(products) / variance, 0, MOST_ALIKE))
        factor *= (1 + alike) / (1 - alike)
    return factor
