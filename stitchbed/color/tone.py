"""I undo what a camera's contrast curve does to light: a smooth monotone curve for each channel.

In: linear light as the file's profile has it. Out: light that is proportional to what the camera saw.

Encoded values v (0..1) go to v + v (1 - v) (b0 + b1 v + b2 v^2): black and white stay, what lies between bends.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array

BENDS = 3  # numbers for each channel; a curve drawn by hand through black, white and a middle needs two
STEEPEST, FLATTEST = 4.0, 0.15  # slope: beyond, a curve is no camera's but a fit gone astray
GAMMA = 2.2  # of the encoding the curve is told in; a curve of another encoding is as smooth in it
CLEARLY_BENT = 0.012  # of full scale: a curve that bends tones by less is none


def straightened(light: NDArray[np.floating], bends: Array | None) -> NDArray[np.floating]:
    """(..., 3) light without the curve. bends : (3, BENDS) or None for no curve."""
    if bends is None:
        return light
    value = np.asarray(light, dtype=np.float64)
    return np.asarray(_decoded(_bent(value, bends)[0]), dtype=light.dtype)


def bend_slopes(light: Array, bends: Array) -> Array:
    """(..., 3, BENDS): how `straightened` changes in each channel with that channel's bends."""
    bent, within = _bent(light, bends)
    steep = GAMMA * bent ** (GAMMA - 1) * within * (1 - within)
    return np.asarray(steep[..., None] * within[..., None] ** np.arange(BENDS), dtype=np.float64)


def _bent(light: Array, bends: Array) -> tuple[Array, Array]:
    """Encoded values after the curve, and before it as far as it bends them."""
    root = _encoded(np.maximum(light, 0))
    within = np.minimum(root, 1)
    bent = within + within * (1 - within) * _middle(within, bends) + (root - within)
    return np.maximum(bent, 0), within


def plausible(bends: Array) -> bool:
    """Whether the curve rises everywhere, neither nearly flat nor nearly upright."""
    slopes = np.diff(_curve(bends), axis=0) * (len(_grid()) - 1)
    return bool(slopes.min() > FLATTEST and slopes.max() < STEEPEST)


def bending(bends: Array) -> float:
    """Largest difference, share of full scale, that the curve makes to encoded values, its brightening left out."""
    away = _curve(bends) - _grid()[:, None]
    lift = 4 * _grid() * (1 - _grid())
    lean = (away * lift[:, None]).sum(axis=0) / (lift**2).sum()
    return float(np.abs(away - lean * lift[:, None]).max())


def _grid() -> Array:
    return np.linspace(0, 1, 101)


def _curve(bends: Array) -> Array:
    """(101, 3) curve at `_grid`."""
    v = np.repeat(_grid()[:, None], len(bends), axis=1)
    return np.asarray(v + v * (1 - v) * _middle(v, bends), dtype=np.float64)


def _middle(v: Array, bends: Array) -> Array:
    return np.asarray(bends[:, 0] + v * (bends[:, 1] + v * bends[:, 2]), dtype=np.float64)


def _encoded(light: Array) -> Array:
    return np.asarray(light ** (1 / GAMMA), dtype=np.float64)


def _decoded(value: Array) -> Array:
    return np.asarray(value**GAMMA, dtype=np.float64)
