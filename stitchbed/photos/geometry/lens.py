"""I am what a lens does to straight lines: radial and decentering distortion about a center, forward and back.

In: points in px of one photo. Out: points where a lens without distortion would have put them, or the other way round.

Lengths inside are shares of the photo's half diagonal, so that the same numbers mean the same bending for every camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.imaging.compiled import compiled

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
    bent = np.array((xy - lens.center) / lens.radius, np.float64, order="C")
    _bend(bent.reshape(-1, 2), lens.k1, lens.k2, lens.p1, lens.p2)
    return np.asarray(lens.center + lens.radius * bent, dtype=np.float64)


def undistorted(lens: Lens, xy: Array) -> Array:
    """(N, 2) px as seen -> (N, 2) px without distortion, by Newton's method on the distance from the center.

    The decentering part is small; it is taken off where the last round put the point.
    """
    seen = (xy - lens.center) / lens.radius
    straight = np.array(seen, np.float64, order="C")
    _straighten(straight.reshape(-1, 2), lens.k1, lens.k2, lens.p1, lens.p2)
    return np.asarray(lens.center + lens.radius * straight, dtype=np.float64)


def lens_slopes(lens: Lens, xy: Array) -> tuple[Array, Array]:
    """How `distorted` (N, 2) px changes: (N, 2, 2) with the points, (N, 2, 6) with k1, k2, center in radii, p1, p2."""
    x, y = ((xy - lens.center) / lens.radius).T
    square = x * x + y * y
    radial, steeper = 1 + square * (lens.k1 + square * lens.k2), 2 * (lens.k1 + 2 * lens.k2 * square)
    across = steeper * x * y + 2 * (lens.p1 * x + lens.p2 * y)
    by_point = np.empty((len(xy), 2, 2))
    by_point[:, 0, 0] = radial + steeper * x * x + 2 * lens.p1 * y + 6 * lens.p2 * x
    by_point[:, 0, 1] = by_point[:, 1, 0] = across
    by_point[:, 1, 1] = radial + steeper * y * y + 6 * lens.p1 * y + 2 * lens.p2 * x
    by_terms = np.empty((len(xy), 2, 6))
    for axis, at in enumerate((x, y)):
        by_terms[:, axis, 0], by_terms[:, axis, 1] = at * square, at * square**2
        by_terms[:, axis, 4 + axis], by_terms[:, axis, 5 - axis] = 2 * x * y, square + 2 * at * at
    by_terms[:, :, 2:4] = np.eye(2) - by_point
    return by_point, lens.radius * by_terms


@compiled
def _bend(points: Array, k1: float, k2: float, p1: float, p2: float) -> None:
    """Put (N, 2) undistorted points, in radii, where the lens shows them, in place."""
    for n in range(len(points)):
        x, y = points[n, 0], points[n, 1]
        square = x * x + y * y
        radial = 1 + square * (k1 + square * k2)
        dx, dy = _askew(x, y, p1, p2)
        points[n, 0], points[n, 1] = x * radial + dx, y * radial + dy


@compiled
def _askew(x: float, y: float, p1: float, p2: float) -> tuple[float, float]:
    """What decentering adds at an undistorted point, all in radii."""
    square, both = x * x + y * y, 2 * x * y
    return p1 * both + p2 * (square + 2 * x * x), p1 * (square + 2 * y * y) + p2 * both


@compiled
def _straighten(points: Array, k1: float, k2: float, p1: float, p2: float) -> None:
    """Put (N, 2) points as seen, in radii, where a lens without distortion would have, in place."""
    rounds = 1 + ASKEW_STEPS if p1 != 0 or p2 != 0 else 1
    for n in range(len(points)):
        x, y = points[n, 0], points[n, 1]
        dx, dy = 0.0, 0.0
        for _ in range(rounds):
            bent_x, bent_y = x - dx, y - dy
            ratio = _inward(np.sqrt(bent_x * bent_x + bent_y * bent_y), k1, k2)
            at_x, at_y = bent_x * ratio, bent_y * ratio
            dx, dy = _askew(at_x, at_y, p1, p2)
        points[n, 0], points[n, 1] = at_x, at_y


@compiled
def _inward(seen: float, k1: float, k2: float) -> float:
    """Distance without the radial part over the distance seen, in radii."""
    u = seen
    for _ in range(INVERSE_STEPS):
        square = u * u
        value = u * (1 + square * (k1 + square * k2)) - seen
        slope = 1 + square * (3 * k1 + square * 5 * k2)
        u = min(max(u - value / max(slope, 0.05), 0.0), 2 * seen)
    return u / seen if seen > 0 else 1.0


def folds(lens: Lens, reach: float = 1.0) -> bool:
    """True when the distortion turns back on itself within `reach` radii, so that no inverse exists."""
    u = np.linspace(0, reach, 101)
    return bool(np.any(1 + 3 * lens.k1 * u**2 + 5 * lens.k2 * u**4 <= 0.05))
