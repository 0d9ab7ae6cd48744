"""I fit what a camera or scanner read to what the patches are, and judge the fit on patches it has not seen.

In: linear readings (N, 3) and CIELAB references (N, 3). Out: a `ColorFit`: coefficients from light to XYZ, differences.

Both kinds of fit keep proportions: twice the light gives twice the color, so exposure does not matter. Where the camera
bent its tones, a curve for each channel is found along with either; it is straightened before.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from stitchbed.color.cielab import chroma_of, de00, lab_from_xyz, lab_slopes, xyz_from_lab
from stitchbed.color.tone import BENDS, bend_slopes, plausible, straightened
from stitchbed.core.arrays import Array

KINDS = {"matrix": 3, "root": 6}  # terms: r g b; and also the roots of rg, gb, rb
ROOTS = ((0, 1), (1, 2), (0, 2))  # channels whose roots are multiplied: rg, gb, rb
FOLDS = 24  # patches are held out one by one up to this many, then in this many groups
ROOT_GAIN = 0.93  # the richer fit is taken only when its held-out error is below this share of the plainer one's
FEWEST = {"matrix": 8, "root": 18}  # patches
NEUTRAL_WEIGHT = 4.0  # grays are where the eye notices a cast first; costs the colors .02 dE on average (measured)
FEWEST_CURVED, FEWEST_GRAYS = 20, 5  # patches, and grays among them, for a curve: it bends between grays
MOST_LEFT = 8.0  # mean held-out difference that a contrast curve may explain
CURVE_STEPS = 600  # looks at the patches while a curve is sought
BEND, APART = 0.3, 2.0  # weak beliefs: curves are mild, and alike in all channels; in dE for a bend of 1
SETTLED = 1e-13  # tolerance of the solver: far below DIGITS, so that the last bit of a sum decides nothing
DIGITS = 8  # decimals of coefficients and bends: sums of the processor differ with where in memory an array begins
RIDGE = 1e-3  # pulls the fit weakly to the plain least squares of XYZ, so that few patches cannot bend it


@dataclass(frozen=True)
class ColorFit:
    """kind : of KINDS. coefficients : (terms, 3), XYZ under D50 = terms @ coefficients. bends : of the curve, or None.

    lab : (N, 3) fitted. held_out : (N, 3) of each patch by a fit that did not see it. de00, de00_held_out : (N,).
    """

    kind: str
    coefficients: Array
    lab: Array
    held_out: Array
    de00: Array
    de00_held_out: Array
    bends: Array | None = None


def terms_of(kind: str, light: NDArray[np.floating]) -> NDArray[np.floating]:
    """(..., terms) of linear light (..., 3).

    Reference: Finlayson, Mackiewicz & Hurlbert (2015), doi 10.1109/TIP.2015.2405336, root-polynomials of degree 2.
    """
    if kind == "matrix":
        return light
    channels = np.moveaxis(np.maximum(light, 0), -1, 0)
    roots = np.stack([np.sqrt(channels[one] * channels[other]) for one, other in ROOTS], axis=-1)
    return np.concatenate([light, roots.astype(light.dtype)], axis=-1)


def term_slopes(kind: str, light: Array) -> Array:
    """(N, terms, 3): how `terms_of` light (N, 3) changes with the light of each channel."""
    slopes = np.zeros((len(light), KINDS[kind], 3))
    slopes[:, :3] = np.eye(3)
    if kind == "matrix":
        return slopes
    root = np.sqrt(np.maximum(light, 0))
    inverse = 1 / np.where(root > 0, root, np.inf)  # black leaves its roots as they are
    for term, (one, other) in enumerate(ROOTS, start=3):
        slopes[:, term, one] = root[:, other] * inverse[:, one] / 2
        slopes[:, term, other] = root[:, one] * inverse[:, other] / 2
    return slopes


def fit_color(light: Array, lab: Array, neutral: NDArray[np.bool_], kind: str | None = None) -> ColorFit:
    """The fit of a kind, or of the kind with the smaller held-out error.

    light : (N, 3) linear. lab : (N, 3) D50. neutral : (N,) patches that are gray.

    Raises
    ------
    ValueError : fewer patches than FEWEST of the kind.
    """
    kinds = [kind] if kind is not None else [name for name in KINDS if len(light) >= FEWEST[name]]
    if not kinds or len(light) < FEWEST[kinds[0]]:
        raise ValueError(f"{len(light)} patches are too few for a fit of color")
    tried = [(name, False) for name in kinds]
    if kind is None and len(light) >= FEWEST_CURVED and np.count_nonzero(neutral) >= FEWEST_GRAYS:
        tried += [(name, True) for name in kinds]
    best: ColorFit | None = None
    for name, curved in tried:
        if curved and best is not None and best.de00_held_out.mean() > MOST_LEFT:
            break  # another mistake than a curve
        other = _fit(name, light, lab, neutral, curved=curved)
        if other.bends is not None and not plausible(other.bends):
            continue
        if best is None or other.de00_held_out.mean() < ROOT_GAIN * best.de00_held_out.mean():
            best = other
    return best if best is not None else _fit(kinds[0], light, lab, neutral)


def bends_again(fit: ColorFit, light: Array, lab: Array, neutral: NDArray[np.bool_]) -> Array:
    """(3, BENDS) of a curved fit made again on other references of the same patches; nothing is held out."""
    weights = np.where(neutral, NEUTRAL_WEIGHT, 1.0)
    _, bends = _solved(fit.kind, light, lab, weights, curved=True, start=fit.bends)
    return np.zeros((3, BENDS)) if bends is None else bends


def neutral_error(lab: Array, reference: Array, neutral: NDArray[np.bool_]) -> Array:
    """(M,) distance in the a*b* plane of the neutral patches from their references."""
    return np.asarray(chroma_of(lab[neutral] - reference[neutral]), dtype=np.float64)


def xyz_of(kind: str, coefficients: Array, light: Array, bends: Array | None = None) -> Array:
    """(..., 3) XYZ under D50 of linear light."""
    return np.asarray(terms_of(kind, straightened(light, bends)) @ coefficients, dtype=np.float64)


def _fit(kind: str, light: Array, lab: Array, neutral: NDArray[np.bool_], *, curved: bool = False) -> ColorFit:
    weights = np.where(neutral, NEUTRAL_WEIGHT, 1.0)
    everyone = np.arange(len(light))
    coefficients, bends = _solved(kind, light, lab, weights, curved=curved)
    fitted = lab_from_xyz(xyz_of(kind, coefficients, light, bends))
    held = np.empty_like(lab)
    for group in _groups(len(light)):
        rest = np.setdiff1d(everyone, group)
        without = _solved(kind, light[rest], lab[rest], weights[rest], curved=curved, start=bends)
        held[group] = lab_from_xyz(xyz_of(kind, without[0], light[group], without[1]))
    return ColorFit(kind, coefficients, fitted, held, de00(fitted, lab), de00(held, lab), bends)


def _groups(count: int) -> Sequence[NDArray[np.intp]]:
    """Patches to hold out together: every FOLDS-th, so that neighbors on a chart go into different groups."""
    folds = min(count, FOLDS)
    return [np.arange(first, count, folds, dtype=np.intp) for first in range(folds)]


def _solved(
    kind: str, light: Array, lab: Array, weights: Array, *, curved: bool, start: Array | None = None
) -> tuple[Array, Array | None]:
    """Coefficients, and bends of the tone curve where one is sought; both by what the eye sees."""
    plain = _coefficients(kind, light, lab, weights)
    if not curved:
        return plain, None
    shape = (3, BENDS)
    first = np.zeros(shape) if start is None else start
    eye = _eye(lab, weights)
    weak = _weak_beliefs(plain.size)

    def parted(flat: Array) -> tuple[Array, Array]:
        return flat[: first.size].reshape(shape), flat[first.size :].reshape(plain.shape)

    def errors(flat: Array) -> Array:
        bends, coefficients = parted(flat)
        seen = _seen_difference(eye, lab_from_xyz(xyz_of(kind, coefficients, light, bends)) - lab)
        return np.concatenate([seen.ravel(), weak @ flat])

    def slopes(flat: Array) -> Array:
        bends, coefficients = parted(flat)
        straight = np.asarray(straightened(light, bends), dtype=np.float64)
        terms = np.asarray(terms_of(kind, straight), dtype=np.float64)
        seen = eye @ lab_slopes(terms @ coefficients)
        by_light = seen @ (coefficients.T @ term_slopes(kind, straight))
        by_bends = by_light[..., None] * bend_slopes(light, bends)[:, None]
        by_terms = _by_coefficients(seen, terms)
        return np.concatenate([np.hstack([by_bends.reshape(len(by_terms), -1), by_terms]), weak])

    solution = _settled(errors, slopes, np.concatenate([first.ravel(), plain.ravel()]), CURVE_STEPS)
    bends, coefficients = parted(solution)
    return coefficients, bends


def _weak_beliefs(others: int) -> Array:
    """(rows, unknowns) of the beliefs about bends, which are the first unknowns; nothing is believed of the others."""
    of_all = np.eye(3 * BENDS)
    apart = np.kron(np.eye(3) - 1 / 3, np.eye(BENDS))
    return np.hstack([np.vstack([BEND * of_all, APART * apart]), np.zeros((6 * BENDS, others))])


def _coefficients(kind: str, light: Array, lab: Array, weights: Array) -> Array:
    """Least squares in XYZ weighted by lightness, then by what the eye sees."""
    terms = np.asarray(terms_of(kind, light), dtype=np.float64)
    xyz = xyz_from_lab(lab)
    scale = float(np.mean(xyz[:, 1]) / max(float(np.mean(light)), 1e-9))
    root = np.sqrt(weights / (xyz[:, 1] + 0.05))[:, None]
    start = np.asarray(np.linalg.lstsq(terms * root, xyz * root, rcond=1e-10)[0], dtype=np.float64)
    eye, ridge = _eye(lab, weights), RIDGE / scale * 100

    def errors(flat: Array) -> Array:
        seen = _seen_difference(eye, lab_from_xyz(terms @ flat.reshape(start.shape)) - lab)
        return np.concatenate([seen.ravel(), ridge * (flat - start.ravel())])

    def slopes(flat: Array) -> Array:
        seen = eye @ lab_slopes(terms @ flat.reshape(start.shape))
        return np.concatenate([_by_coefficients(seen, terms), ridge * np.eye(start.size)])

    return _settled(errors, slopes, start.ravel(), 2000).reshape(start.shape)


def _by_coefficients(seen: Array, terms: Array) -> Array:
    """(3 N, 3 terms): how what is seen changes with the coefficients. seen : (N, 3, 3) by XYZ. terms : (N, terms)."""
    return np.asarray((seen[:, :, None] * terms[:, None, :, None]).reshape(3 * len(terms), -1))


def _settled(errors: Callable[[Array], Array], slopes: Callable[[Array], Array], guess: Array, most: int) -> Array:
    """The unknowns with the least squares of errors, to DIGITS decimals. slopes : of the errors by the unknowns."""
    close = {"ftol": SETTLED, "xtol": SETTLED, "gtol": SETTLED}
    return np.round(least_squares(errors, guess, slopes, method="lm", max_nfev=most, **close).x, DIGITS)


def _eye(reference: Array, weights: Array) -> Array:
    """(N, 3, 3) that make a difference in L*a*b* from a reference one in lightness, chroma and hue, each divided by its
    CIEDE2000 weight there, times the root of its own weight (N,).

    A smooth stand-in for CIEDE2000, which has kinks. Reference: Sharma, Wu & Dalal (2005), doi 10.1002/col.20070.
    """
    lightness, chroma = reference[:, 0], chroma_of(reference)
    s_l = 1 + 0.015 * (lightness - 50) ** 2 / np.sqrt(20 + (lightness - 50) ** 2)
    s_c, s_h = 1 + 0.045 * chroma, 1 + 0.015 * chroma
    hue = np.arctan2(reference[:, 2], reference[:, 1])
    none = np.zeros(len(reference))
    rows = (
        (1 / s_l, none, none),
        (none, np.cos(hue) / s_c, np.sin(hue) / s_c),
        (none, -np.sin(hue) / s_h, np.cos(hue) / s_h),
    )
    return np.array(rows).transpose(2, 0, 1) * np.sqrt(weights)[:, None, None]


def _seen_difference(eye: Array, difference: Array) -> Array:
    """(N, 3) what the eye sees of differences in L*a*b* (N, 3)."""
    return np.asarray((eye @ difference[..., None])[..., 0])
