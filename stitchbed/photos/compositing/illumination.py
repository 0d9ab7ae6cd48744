"""I find how unevenly a flat work was lit, from places that should look alike, and say what to divide by.

In: places on the canvas in mm, linear light there, which of them share one reflectance. Out: a smooth `LightField`.

The logarithm of light is a polynomial of the place; each kind of place (a gray step, the board) has its own
reflectance, which is found along with it.
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
BROAD_MM, FEWEST_THERE = 30.0, 8  # side of a broad square, and places in it that tell its tone
LEAST_SQUARES = 12
GRID = 33  # places across and down at which the field's brightest and darkest are looked for


@dataclass(frozen=True)
class LightField:
    """Light on the canvas relative to its brightest place, per channel.

    center : (2,) mm. known : (2,) mm from there within which it was fitted; beyond, it stays as at the nearest place.
    reach : mm that count as 1. order : of the polynomial. coefficients : (T, channels), log light.
    peak : (channels,) log light at the brightest place of the work. source : where it came from, in words.
    residual : share, robust sigma of what it leaves. inliers : share of places that agree. uneven : share of light lost
    at the darkest place of the work.
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


def fit_light(
    xy: Array, light: Array, kinds: Sequence[str], *, size_mm: tuple[float, float], order: int, source: str
) -> LightField | None:
    """Fit a field to light (N, channels) at places (N, 2) mm on a canvas of size_mm (width, height).

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
    solution, spread, inliers = _robust_fit(design, np.log(light))
    coefficients = np.vstack([np.zeros((1, light.shape[1])), solution[: terms.shape[1]]])
    log_light = polynomial((_grid(center) - center) / reach, order) @ coefficients
    peak = log_light.max(0)
    uneven = 1 - float(np.exp((log_light - peak).mean(1).min()))
    known = np.maximum(np.abs(xy - center).max(0), center)
    return LightField(center, known, reach, order, coefficients, peak, source, spread, inliers, uneven)


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


def left_broadly(field: LightField, xy: Array, light: Array) -> float:
    """Share that a field leaves over squares of BROAD_MM: weave and print average out there, planks and stains do not.

    The 90th percentile of the squares' medians; on own scenes of 16 tables the error on the work stayed below it.
    """
    left = np.log(np.maximum(light.mean(1), 1e-6) / light_at(field, xy).mean(1))
    _, square, count = np.unique(np.floor(xy / BROAD_MM), axis=0, return_inverse=True, return_counts=True)
    tones = [np.median(left[square.ravel() == one]) for one in np.flatnonzero(count >= FEWEST_THERE)]
    return float(np.percentile(np.abs(tones - np.median(left)), 90)) if len(tones) >= LEAST_SQUARES else np.inf


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


def _robust_fit(design: Array, values: Array) -> tuple[Array, float, float]:
    """Least squares with Tukey's weights: (coefficients, robust sigma, share of rows that still count)."""
    weights = np.ones(len(design))
    solution = np.zeros((design.shape[1], values.shape[1]))
    spread = 1.0
    for _ in range(ROUNDS):
        root = np.sqrt(weights)[:, None]
        solution = np.asarray(np.linalg.lstsq(design * root, values * root, rcond=None)[0], dtype=np.float64)
        away = np.abs(values - design @ solution).max(axis=1)
        spread = max(LEAST_SPREAD, robust_sigma(away))
        weights = tukey_weights(away / spread)
    return solution, spread, float(np.mean(weights > 0.1))
