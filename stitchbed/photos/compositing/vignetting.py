"""I level overlapping photos of one flat work against each other, in linear light.

In: mean light of the same places in each photo, and where in the photo they lie. Out: a factor and a smooth falloff
for each photo, such that overlaps agree.

The logarithm of a photo's light is its exposure, plus the lens's loss towards the corners, which all photos share, plus
a polynomial that they share as well (lamps may stand still while the work moves), plus a small one of its own. What a
row of photos cannot tell (they all lose alike above and below) is told by the lens being round. Places that shine in
one photo do not follow all that and lose their weight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.matching.robust import robust_sigma
from stitchbed.photos.compositing.illumination import polynomial, robust_fit

SHARED_ORDER, OWN_ORDER = 4, 2
NOISE = 0.01  # of a place's mean light: grain, sharpness, places cut differently
FEWEST = 40


@dataclass(frozen=True)
class Beliefs:
    """Standard deviations believed beforehand, in log light at the frame's half diagonal (common practice, no source).

    exposure : of a series of photos. radial : lenses lose up to a stop at the corners. shared : lamps that move with
    the camera. own : lamps change little between photos.
    """

    exposure: float = 0.5
    radial: float = 0.4
    shared: float = 0.05
    own: float = 0.03


KNOWN = Beliefs(radial=1e-4, shared=1e-4, own=1e-4)  # of photos evened out by a blank sheet: exposures alone


@dataclass(frozen=True)
class Vignetting:
    """exposure : (photos, channels) log light. shared : (2 + T, channels): r^2, r^4, `polynomial` without its constant.

    own : (photos, U, channels) of `polynomial` without its constant. spread : share, robust sigma of what overlaps
    still differ by. agreeing : share of places that count. spread_before : with exposures alone taken out.
    """

    exposure: Array
    shared: Array
    own: Array
    spread: float
    agreeing: float
    spread_before: float


def level_photos(
    light: Sequence[Array], at: Sequence[Array], seen: Sequence[Mask], believed: Beliefs | None = None
) -> Vignetting | None:
    """Solve for all photos at once; the first one keeps its exposure.

    light : per photo (N, channels) linear, of the same N places. at : per photo (N, 2) place in its frame, in half
    diagonals about its middle. seen : per photo (N,). None when the photos hardly overlap.
    """
    pairs = [(i, j) for i in range(len(light)) for j in range(i + 1, len(light))]
    rows, values = [], []
    for i, j in pairs:
        both = seen[i] & seen[j] & (light[i].min(1) > 0.004) & (light[j].min(1) > 0.004)
        if both.any():
            rows.append(_rows(i, at[i][both], len(light)) - _rows(j, at[j][both], len(light)))
            values.append(np.log(light[i][both]) - np.log(light[j][both]))
    if not rows or sum(map(len, rows)) < FEWEST:
        return None
    design, target = np.concatenate(rows), np.concatenate(values)
    fit = robust_fit(design, target, 1 / _priors(len(light), believed or Beliefs()) ** 2, NOISE)
    solution = fit.solution
    count, shared = len(light), 2 + _terms(SHARED_ORDER)
    own = solution[count + shared :].reshape(count, _terms(OWN_ORDER), -1)
    exposure = solution[:count] - solution[0]
    before = _robust_sigma(target - design[:, :count] @ _gains_alone(design[:, :count], target))
    return Vignetting(exposure, solution[count : count + shared], own, fit.spread, fit.agreeing, before)


def log_falloff(levels: Vignetting, photo: int, at: Array) -> Array:
    """(N, channels) log light of a photo at places (N, 2) half diagonals from its middle, exposure included."""
    shared = _shared(at) @ levels.shared
    own = polynomial(at, OWN_ORDER)[:, 1:] @ levels.own[photo]
    return np.asarray(levels.exposure[photo] + shared + own, dtype=np.float64)


def _terms(order: int) -> int:
    return (order + 1) * (order + 2) // 2 - 1


def _shared(at: Array) -> Array:
    """(N, 2 + T) terms of the frame that all photos share."""
    square = (at**2).sum(axis=1)
    return np.column_stack([square, square**2, polynomial(at, SHARED_ORDER)[:, 1:]])


def _rows(photo: int, at: Array, count: int) -> Array:
    """(N, unknowns) derivative of one photo's log light."""
    own, shared = _terms(OWN_ORDER), 2 + _terms(SHARED_ORDER)
    rows = np.zeros((len(at), count + shared + count * own))
    rows[:, photo] = 1
    rows[:, count : count + shared] = _shared(at)
    first = count + shared + photo * own
    rows[:, first : first + own] = polynomial(at, OWN_ORDER)[:, 1:]
    return rows


def _priors(count: int, believed: Beliefs) -> Array:
    """(unknowns,) width of what is believed."""
    own = (believed.own, count * _terms(OWN_ORDER))
    sizes = ((believed.exposure, count), (believed.radial, 2), (believed.shared, _terms(SHARED_ORDER)), own)
    return np.concatenate([np.full(number, width) for width, number in sizes])


def _robust_sigma(away: Array) -> float:
    return robust_sigma(np.abs(away).max(axis=1))


def _gains_alone(design: Array, target: Array) -> Array:
    return np.asarray(np.linalg.lstsq(design, target, rcond=None)[0], dtype=np.float64)
