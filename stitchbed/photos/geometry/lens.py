"""I am what a lens does to straight lines: radial and decentering distortion about a center, forward and back.

In: points in px of one photo. Out: points where a lens without distortion would have put them, or the other way round.

Lengths inside are shares of the photo's half diagonal, so that the same numbers mean the same bending for every camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array

INVERSE_STEPS = 7  # Newton steps; quadratic convergence leaves 1e-12 after 5 at the bendings allowed here
ASKEW_STEPS = 4  # rounds for the decentering part; each leaves a hundredth at the few thousandths it has at most


@dataclass(frozen=True)
class Lens:
    """center_x, center_y : px. radius : px, half the photo's diagonal. k1, k2 : radial terms, 1.
    p1, p2 : decentering terms, 1.

    An undistorted point (x, y) at distance u (in radii) from the center is seen at (x, y) (1 + k1 u^2 + k2 u^4) plus
    (2 p1 x y + p2 (u^2 + 2 x^2), p1 (u^2 + 2 y^2) + 2 p2 x y).
    """

    center_x: float
    center_y: float
    radius: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0

    @property
    def center(self) -> Array:
        """(2,) px."""
        return np.array([self.center_x, self.center_y])


def plain_lens(width: int, height: int) -> Lens:
    """A lens without distortion, centered on a photo of width x height px."""
    return Lens((width - 1) / 2, (height - 1) / 2, float(np.hypot(width, height)) / 2)


def distorted(lens: Lens, xy: Array) -> Array:
    """(N, 2) px without distortion -> (N, 2) px as seen.

    Reference: Brown (1966), "Decentering distortion of lenses".
    """
    offset = (xy - lens.center) / lens.radius
    square = np.sum(offset**2, axis=-1, keepdims=True)
    bent: Array = offset * (1 + square * (lens.k1 + square * lens.k2)) + _askew(lens, offset)
    return np.asarray(lens.center + lens.radius * bent, dtype=np.float64)


def undistorted(lens: Lens, xy: Array) -> Array:
    """(N, 2) px as seen -> (N, 2) px without distortion, by Newton's method on the distance from the center.

    The decentering part is small; it is taken off where the last round put the point.
    """
    seen = (xy - lens.center) / lens.radius
    straight = _unbent(lens, seen)
    if lens.p1 or lens.p2:
        for _ in range(ASKEW_STEPS):
            straight = _unbent(lens, seen - _askew(lens, straight))
    return np.asarray(lens.center + lens.radius * straight, dtype=np.float64)


def _askew(lens: Lens, xy: Array) -> Array:
    """(N, 2) what decentering adds at undistorted points (N, 2), all in radii."""
    if not (lens.p1 or lens.p2):
        return np.zeros_like(xy)
    x, y = xy[..., 0], xy[..., 1]
    square, both = x * x + y * y, 2 * x * y
    shift = [lens.p1 * both + lens.p2 * (square + 2 * x * x), lens.p1 * (square + 2 * y * y) + lens.p2 * both]
    return np.asarray(np.stack(shift, axis=-1), dtype=np.float64)


def _unbent(lens: Lens, offset: Array) -> Array:
    """(N, 2) points without the radial part, in radii."""
    seen = np.hypot(offset[..., 0], offset[..., 1])
    u = seen.copy()
    for _ in range(INVERSE_STEPS):
        square = u**2
        value = u * (1 + square * (lens.k1 + square * lens.k2)) - seen
        slope = 1 + square * (3 * lens.k1 + square * 5 * lens.k2)
        u = np.clip(u - value / np.maximum(slope, 0.05), 0, 2 * seen)
    ratio = np.divide(u, seen, out=np.ones_like(seen), where=seen > 0)
    return np.asarray(offset * ratio[..., None], dtype=np.float64)


def folds(lens: Lens, reach: float = 1.0) -> bool:
    """True when the distortion turns back on itself within `reach` radii, so that no inverse exists."""
    u = np.linspace(0, reach, 101)
    return bool(np.any(1 + 3 * lens.k1 * u**2 + 5 * lens.k2 * u**4 <= 0.05))
