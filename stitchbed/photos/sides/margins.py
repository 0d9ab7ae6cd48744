"""I tell sides of a work that may have been taken too far in: beyond which a margin, or another edge, runs along.

In: corners on the plane, a way to read tones there; lines in a view. Out: names of sides, or whether an edge is there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.photos.sides.lines import SIDES, Line, corners_of, cover_of, edges_of, thickened
from stitchbed.photos.sides.table import DARK

RIM_MM = (1.5, 2.5, 3.5)  # within a side and beyond it; a margin is mostly wider
ONE_TONE = 0.1  # how far tones of one margin differ round a work (logarithm): its light is uneven
NO_MARGIN = 0.3  # how far a side's own rim differs from the margin, when it surely has none
PLACES = 60  # along a side
LEAST_SEEN = 1 / 6  # share of a rim
NEXT_PX, FARTHEST_PX = 6, 260  # of the view: where edges along a side are looked for beyond it
LEANS_PX = np.arange(-6, 7, 2)  # at its ends: no card may have flattened the view
EDGE_BEYOND = 0.4  # share of a side along which an edge runs; tables without lines leave .2, lines .7 and more
WITHIN_PX = 90  # where edges along a side are looked for within it
EDGE_WITHIN = 0.9  # share of a side for one all along; of 37 works without a margin two had .85 to .87, side faces .97
NO_EDGE_WITHIN = 0.75  # share of the opposite side; margins leave .92 and more
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


def edge_beyond(picture: NDArray[np.uint8], keep_out: Mask, sides: Mapping[str, Line]) -> bool:
    """Whether an edge runs along any of four sides beyond it, as that of a margin, or lines of the table, would.

    picture : (h, w, channels). keep_out : (h, w) where cards lie or nothing is seen.
    """
    beyond = _best_along(picture, keep_out, sides, -np.arange(NEXT_PX, FARTHEST_PX))
    return any(share > EDGE_BEYOND for share, _ in beyond.values())


def lone_edges(picture: NDArray[np.uint8], keep_out: Mask, sides: Mapping[str, Line]) -> dict[str, float]:
    """Sides within which another edge runs all along, and how far within, px; the opposite side has none.

    A line of the table that was taken for a side leaves the work's own edge there, and a raised work shows its side
    face. A margin lies within opposite sides alike. Arguments as for `edge_beyond`.
    """
    within = _best_along(picture, keep_out, sides, np.arange(NEXT_PX, WITHIN_PX))
    across = {name: SIDES[(SIDES.index(name) + 2) % 4] for name in SIDES}
    return {
        name: away
        for name, (share, away) in within.items()
        if share >= EDGE_WITHIN and within[across[name]][0] < NO_EDGE_WITHIN
    }


def _best_along(
    picture: NDArray[np.uint8], keep_out: Mask, sides: Mapping[str, Line], away: NDArray[np.int_]
) -> dict[str, tuple[float, float]]:
    """For each side the largest share of it along which one line some px `away` (N,) within it shows an edge, and how
    far away that is."""
    near = thickened(edges_of(picture, keep_out))
    corners = corners_of(sides)
    return {
        name: _along(np.roll(corners, -index, axis=0), near[index % 2], ~keep_out, away)
        for index, name in enumerate(SIDES)
    }


def _along(corners: Array, near: Mask, visible: Mask, away: NDArray[np.int_]) -> tuple[float, float]:
    """The same of the side from the first corner to the second."""
    a, b = corners[:2]
    inward = np.array([(b - a)[1], -(b - a)[0]]) / np.linalg.norm(b - a)
    inward = inward * np.sign(inward @ (corners.mean(0) - a))
    leaning = [corner + (away[:, None] + lean)[..., None] * inward for corner, lean in ((a, -LEANS_PX), (b, LEANS_PX))]
    shown = cover_of(near, visible, *leaning).max(axis=1)
    return float(shown.max()), float(np.abs(away[shown == shown.max()]).mean())


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
