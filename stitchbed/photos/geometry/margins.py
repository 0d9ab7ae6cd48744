"""I tell sides of a work that may have been taken too far in: those beyond which the margin of the others goes on.

In: corners on the plane, a way to read tones there. Out: names of sides.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.photos.geometry.rectangle import SIDES
from stitchbed.photos.geometry.table import DARK

RIM_MM = (1.5, 2.5, 3.5)  # within a side and beyond it; a margin is mostly wider
ONE_TONE = 0.1  # how far tones of one margin differ round a work (logarithm): its light is uneven
NO_MARGIN = 0.3  # how far a side's own rim differs from the margin, when it surely has none
PLACES = 60  # along a side
LEAST_SEEN = 1 / 6  # share of a rim
WHOLE, FIRST, LAST = range(3)
PARTS = (0, PLACES), (0, PLACES // 6), (5 * PLACES // 6, PLACES)
# of the other sides and of a side itself what is compared: where two meet, lit alike, and the whole of opposite ones
BESIDE = (-1, LAST, FIRST), (1, FIRST, LAST), (2, WHOLE, WHOLE)


def short_sides(corners: Array, read: Callable[[Array], Array]) -> tuple[str, ...]:
    """Sides without a margin, beyond which lies the tone of the margin that at least two other sides have.

    corners : (4, 2) plane mm, from the top left clockwise. read : (N, 2) plane mm -> (N, channels) stored values 0..1,
    NaN where a card lies or nothing is seen.
    """
    rims = [_rims(np.roll(corners, -index, axis=0), read) for index in range(len(SIDES))]
    short = []
    for index, (within, beyond) in enumerate(rims):
        alike = 0
        for step, theirs, own in BESIDE:
            other = rims[(index + step) % len(SIDES)][0][theirs]
            alike += bool(np.abs(other - beyond[own]).max() < ONE_TONE)
        if alike >= 2 and np.abs(within - beyond)[WHOLE].max() > NO_MARGIN:
            short.append(SIDES[index])
    return tuple(short)


def _rims(corners: Array, read: Callable[[Array], Array]) -> tuple[Array, Array]:
    """(3, channels) middle tones (logarithm) within and beyond the side from the first corner to the second, or NaN.

    Of the whole side, of its first sixth and of its last.
    """
    a, b = corners[:2]
    inward = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
    inward = inward * np.sign(inward @ (corners.mean(0) - a))
    along = a + np.linspace(0.03, 0.97, PLACES)[:, None] * (b - a)
    tones = []
    for way in (inward, -inward):
        values = np.log(np.concatenate([read(along + mm * way) for mm in RIM_MM]) + DARK)
        parts = values.reshape(len(RIM_MM), PLACES, -1)
        tones.append(np.stack([_middle(parts[:, start:end]) for start, end in PARTS]))
    return tones[0], tones[1]


def _middle(values: Array) -> Array:
    """(channels,) median of the places (rows, places, channels) that are seen, NaN where they are too few."""
    places = values.reshape(-1, values.shape[2])
    seen = np.isfinite(places).all(axis=1)
    few = seen.sum() < LEAST_SEEN * len(places)
    return np.full(values.shape[2], np.nan) if few else np.asarray(np.median(places[seen], axis=0), np.float64)
