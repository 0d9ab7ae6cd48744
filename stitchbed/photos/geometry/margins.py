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
LEAST_PLACES = 30  # of one rim that must be seen, of PLACES times RIM_MM


def short_sides(corners: Array, read: Callable[[Array], Array]) -> tuple[str, ...]:
    """Sides without a margin, beyond which lies the tone of the margin that at least two other sides have.

    corners : (4, 2) plane mm, from the top left clockwise. read : (N, 2) plane mm -> (N, channels) stored values 0..1,
    NaN where a card lies or nothing is seen.
    """
    rims = [_rims(np.roll(corners, -index, axis=0), read) for index in range(len(SIDES))]
    short = []
    for index, (within, beyond) in enumerate(rims):
        others = [rims[other][0] for other in range(len(SIDES)) if other != index]
        alike = sum(bool(np.abs(other - beyond).max() < ONE_TONE) for other in others)
        if alike >= 2 and np.abs(within - beyond).max() > NO_MARGIN:
            short.append(SIDES[index])
    return tuple(short)


def _rims(corners: Array, read: Callable[[Array], Array]) -> tuple[Array, Array]:
    """(channels,) middle tones (logarithm) within and beyond the side from the first corner to the second; or NaN."""
    a, b = corners[:2]
    inward = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
    inward = inward * np.sign(inward @ (corners.mean(0) - a))
    along = a + np.linspace(0.03, 0.97, PLACES)[:, None] * (b - a)
    tones = []
    for way in (inward, -inward):
        values = np.log(np.concatenate([read(along + mm * way) for mm in RIM_MM]) + DARK)
        seen = np.isfinite(values).all(axis=1)
        tones.append(np.median(values[seen], 0) if seen.sum() >= LEAST_PLACES else np.full(values.shape[1], np.nan))
    return tones[0], tones[1]
