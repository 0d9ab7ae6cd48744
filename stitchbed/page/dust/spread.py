"""I measure how the ink of a small mark lies: how dark at most, how long and how narrow, how compact, how even.

In: patches of ink with only the mark's own pixels in them, the blur they were seen through. Out: a row of numbers each.

A mark of two pixels has no shape to be seen, but its sums differ: gray spreads wider than as much black, a rag is less
even than a dot. All but one are sums over the patch, so that where the mark falls on the pixels says little.
"""

from __future__ import annotations

import numpy as np

from stitchbed.core.arrays import Array, Floats

# columns of `spread_of`
SPREAD = ("top", "long", "short", "compact", "tail", "fourth", "uneven")
LEAST_INK = 1e-3  # of a pixel


def spread_of(own: Floats, blur: float, px_per_mm: float) -> Array:
    """(n, 7) what each mark's ink looks like, in the order of SPREAD.

    top : of its darkest pixel, of full ink. long, short : mm^2, variance of the ink along and across its long axis less
    that of the blur. compact : the sum of squares over that of a disc of solid ink of the same sum, both blurred, the
    disc taken for a Gaussian of its variance. tail : fourth moment over that of a round Gaussian of the same variance.
    fourth : the fourth darkest pixel over the darkest. uneven : how much changes when it is turned by half a turn, over
    its sum.

    own : (n, k, k) ink of the mark, 0 elsewhere, k odd, the mark in the middle. blur : px, one sd.
    """
    ink = own.astype(np.float64)
    whole = np.maximum(ink.sum(axis=(1, 2)), LEAST_INK)
    along, across, fourth = _moments(np.clip(ink, 0, None))
    squares = (ink * ink).sum(axis=(1, 2))
    disc = whole / (4 * np.pi * (whole / (4 * np.pi) + blur**2))
    ranked = np.sort(ink.reshape(len(ink), own.shape[1] * own.shape[2]), axis=1)
    top = np.maximum(ranked[:, -1], LEAST_INK)
    return np.stack(
        [
            top,
            (along - blur**2) / px_per_mm**2,
            (across - blur**2) / px_per_mm**2,
            squares / (whole * disc),
            fourth / np.maximum(2 * (along + across) ** 2, LEAST_INK),
            ranked[:, -4] / top,
            np.abs(ink - ink[:, ::-1, ::-1]).sum(axis=(1, 2)) / whole,
        ],
        axis=1,
    )


def _moments(weight: Array) -> tuple[Array, Array, Array]:
    """(n,) px^2 variances along the long axis and across it; px^4 fourth moment about the middle."""
    reach = np.arange(weight.shape[1]) - weight.shape[1] // 2
    y, x = np.meshgrid(reach, reach, indexing="ij")
    whole = np.maximum(weight.sum(axis=(1, 2)), LEAST_INK)
    dy, dx = (m - ((weight * m).sum(axis=(1, 2)) / whole)[:, None, None] for m in (y, x))
    yy, xx, xy, fourth = (
        (weight * m).sum(axis=(1, 2)) / whole for m in (dy * dy, dx * dx, dx * dy, (dy * dy + dx * dx) ** 2)
    )
    middle, apart = (yy + xx) / 2, np.sqrt(((yy - xx) / 2) ** 2 + xy**2)
    return middle + apart, middle - apart, fourth
