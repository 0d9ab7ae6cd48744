"""I measure whether a small mark can be solid ink, or is gray and only looks small and soft through the optics.

In: patches of ink round marks, the blur they were seen through. Out: the darkness fitted, how much better it fits than
solid ink, and how wide a stroke of solid ink would have to be.

A mark of a few pixels shows no level of its own: a dot of gray looks like a smaller dot of black. What tells them apart
is how far they spread. So a bar with soft edges, as dark as it likes, is fitted beside one of solid ink; for marks that
small a bar stands for a disc as well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import erf

from stitchbed.core.arrays import Array, Floats, Mask

ROUNDS = 9  # of damped least squares; later ones change nothing that is asked here
AT_ONCE = 256  # marks fitted together: some 60 MB at 600 dpi
LEAST_DARK, FIRST_DARK = 0.05, 0.8
UNSURE = 0.02  # of a mark's peak: what a bar leaves unexplained of a dot by hand
LEAST_SD = 0.01  # of full ink, that a pixel is never known better


@dataclass(frozen=True)
class Bars:
    """One bar per mark. place : (n, 2) px x, y from the patch's middle. log_size : (n, 2) log of length and width px.

    turn : (n,) rad. dark : (n,) ink in it, 0..1.
    """

    place: Array
    log_size: Array
    turn: Array
    dark: Array


def solidity(patches: Floats, known: Floats, blur: float, noise: float) -> tuple[Array, Array, Array]:
    """(n,) darkness 0..1 that fits best, the gain of fit over solid ink: half the drop of chi squared, and the px of
    the narrower side of the bar of solid ink that fits best.

    patches : (n, k, k) ink, k odd. known : (n, k, k) 1 where a pixel shows the mark or bare paper, else 0.
    blur : px, one sd. noise : one sd of a pixel.
    """
    parts = [slice(at, at + AT_ONCE) for at in range(0, len(patches), AT_ONCE)]
    done = [_tested(patches[part], known[part], blur, noise) for part in parts]
    dark, gain, width = (np.concatenate(column) for column in zip(*done, strict=True)) if done else [np.zeros(0)] * 3
    return dark, gain, width


def _tested(patches: Floats, known: Floats, blur: float, noise: float) -> tuple[Array, Array, Array]:
    ink = patches.astype(np.float64)
    peak = ink.max(axis=(1, 2), keepdims=True)
    weight = known / (max(noise, LEAST_SD) ** 2 + (UNSURE * peak) ** 2)
    solid, misfit = _fitted(ink, weight, blur, _beginning(ink * known, blur), free=False)
    gray, rest = _fitted(ink, weight, blur, replace(solid, dark=np.full(len(ink), FIRST_DARK)), free=True)
    return gray.dark, (misfit - rest) / 2, np.exp(solid.log_size).min(axis=1)


def _beginning(ink: Array, blur: float) -> Bars:
    """Bars of solid ink with the sum and the second moments of each patch, less those of the blur."""
    y, x = _grid(ink.shape[1])
    weight = np.clip(ink, 0.03, 1) - 0.03
    whole = np.maximum(weight.sum(axis=(1, 2)), 1e-3)
    cx, cy = ((weight * m).sum(axis=(1, 2)) / whole for m in (x, y))
    dx, dy = x - cx[:, None, None], y - cy[:, None, None]
    xx, yy, xy = ((weight * m).sum(axis=(1, 2)) / whole for m in (dx * dx, dy * dy, dx * dy))
    long_axis = (xx + yy) / 2 + np.hypot((xx - yy) / 2, xy)
    length = np.sqrt(12 * np.maximum(long_axis - blur**2, 0.02))
    length = np.maximum(length, np.sqrt(whole))
    size = np.stack([length, np.maximum(whole / length, 0.2)], axis=1)
    return Bars(np.stack([cx, cy], axis=1), np.log(size), np.arctan2(2 * xy, xx - yy) / 2, np.ones(len(ink)))


def _fitted(ink: Array, weight: Array, blur: float, bars: Bars, *, free: bool) -> tuple[Bars, Array]:
    """Bars after damped least squares, and their chi squared. free : the darkness is fitted too.

    Reference: Marquardt, An algorithm for least-squares estimation of nonlinear parameters, SIAM 11(2), 1963.
    """
    damping = np.full(len(ink), 1e-2)
    cost = _misfit(ink, weight, _shown(bars, ink.shape[1], blur))
    for _ in range(ROUNDS):
        shown, slopes = _seen(bars, ink.shape[1], blur)
        used = slopes if free else slopes[..., :5]
        weighed = used * weight.reshape(len(ink), -1, 1)
        normal = np.einsum("nki,nkj->nij", weighed, used)
        wanted = np.einsum("nki,nk->ni", weighed, (ink - shown).reshape(len(ink), -1))
        diagonal = np.einsum("nii->ni", normal) * damping[:, None] + 1e-6
        normal[:, np.arange(used.shape[2]), np.arange(used.shape[2])] += diagonal
        step = np.clip(np.linalg.solve(normal, wanted[..., None])[..., 0], -0.7, 0.7)
        tried = _moved(bars, step, ink.shape[1])
        new = _misfit(ink, weight, _shown(tried, ink.shape[1], blur))
        better = new < cost
        bars = _where(better, tried, bars)
        cost, damping = np.where(better, new, cost), np.where(better, damping / 3, damping * 5)
    return bars, cost


def _seen(bars: Bars, side: int, blur: float) -> tuple[Array, Array]:
    """(n, k, k) what the bars look like through a Gaussian, and (n, k * k, 6) its slopes.

    The slopes are by x, y, log length, log width, turn, darkness. A bar is separable along its own axes; each side is
    a difference of two error functions.
    """
    along, across = _own_axes(bars, side)
    cos, sin = np.cos(bars.turn)[:, None, None], np.sin(bars.turn)[:, None, None]
    half = np.exp(bars.log_size)[:, :, None, None] / 2
    a, a_along, a_half = _edge_pair(along, half[:, 0], blur)
    b, b_across, b_half = _edge_pair(across, half[:, 1], blur)
    dark = bars.dark[:, None, None]
    slopes = (
        dark * (sin * a * b_across - cos * a_along * b),
        -dark * (sin * a_along * b + cos * a * b_across),
        dark * a_half * half[:, 0] * b,
        dark * a * b_half * half[:, 1],
        dark * (a_along * across * b - a * b_across * along),
        a * b,
    )
    return dark * a * b, np.stack(slopes, axis=-1).reshape(len(bars.turn), side * side, 6)


def _shown(bars: Bars, side: int, blur: float) -> Array:
    """(n, k, k) what the bars look like, as `_seen` has it."""
    half = np.exp(bars.log_size)[:, :, None, None] / 2
    a, b = (_box(at, half[:, side], blur) for side, at in enumerate(_own_axes(bars, side)))
    return np.asarray(bars.dark[:, None, None] * a * b)


def _own_axes(bars: Bars, side: int) -> tuple[Array, Array]:
    """(n, k, k) px from the middle of each bar, along it and across."""
    y, x = _grid(side)
    dx, dy = x - bars.place[:, 0, None, None], y - bars.place[:, 1, None, None]
    cos, sin = np.cos(bars.turn)[:, None, None], np.sin(bars.turn)[:, None, None]
    return cos * dx + sin * dy, cos * dy - sin * dx


def _box(at: Array, half: Array, blur: float) -> Array:
    """A box of half-width `half` seen through a Gaussian, at `at`."""
    scale = np.sqrt(2) * blur
    return np.asarray((erf((at + half) / scale) - erf((at - half) / scale)) / 2)


def _edge_pair(at: Array, half: Array, blur: float) -> tuple[Array, Array, Array]:
    """A box of half-width `half` seen through a Gaussian, at `at`, and its slopes by place and by half-width."""
    scale = np.sqrt(2) * blur
    left, right = (at + half) / scale, (at - half) / scale
    rise, fall = (np.exp(-(m * m)) / (scale * np.sqrt(np.pi)) for m in (left, right))
    return _box(at, half, blur), rise - fall, rise + fall


def _misfit(ink: Array, weight: Array, shown: Array) -> Array:
    return np.asarray((weight * (ink - shown) ** 2).sum(axis=(1, 2)))


def _moved(bars: Bars, step: Array, side: int) -> Bars:
    """Bars after a step, kept within the patch."""
    dark = np.clip(bars.dark + step[:, 5], LEAST_DARK, 1) if step.shape[1] > 5 else bars.dark
    return Bars(
        np.clip(bars.place + step[:, :2], -side / 4, side / 4),
        np.clip(bars.log_size + step[:, 2:4], np.log(0.15), np.log(2 * side)),
        bars.turn + step[:, 4],
        dark,
    )


def _where(better: Mask, new: Bars, old: Bars) -> Bars:
    pick = better[:, None]
    return Bars(
        np.where(pick, new.place, old.place),
        np.where(pick, new.log_size, old.log_size),
        np.where(better, new.turn, old.turn),
        np.where(better, new.dark, old.dark),
    )


def _grid(side: int) -> tuple[Array, Array]:
    """(k, k) rows and columns from the middle."""
    reach = np.arange(side) - side // 2
    y, x = np.meshgrid(reach, reach, indexing="ij")
    return y.astype(np.float64), x.astype(np.float64)
