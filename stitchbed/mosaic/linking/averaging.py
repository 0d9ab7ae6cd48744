"""I move all pieces of a layout at once to where their links agree best, each link's small error spread over its loops.

In: first places, chained along some of the links, and all links. Out: places.

Along a chain of links small errors add up, so that its two ends miss each other by more than any link is off. What a
link misses by is weighed by Cauchy's function, wide at first and narrower by and by (graduated non-convexity: Yang et
al. 2020, "Graduated Non-Convexity for Robust Spatial Perception"); one that lies pulls less the farther it is off.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import moved, scale_of
from stitchbed.matching.similarity_links import Link

WIDTHS = (8.0, 4.0, 2.0, 1.0, 1.0, 1.0)  # of the weights in turn, times what a link may miss
ONE_SIZE = 0.003  # share by which sizes miss each other that tells a lie as much as points off by what agrees at most
GROWTH = 1  # column of a piece's growth
FREE = 1e-9  # of the usual weight: what holds the whole, which no link does


@dataclass(frozen=True)
class Trusted:
    """A link, the trust in it (0 or more), and how far (px) it may miss and still agree."""

    link: Link
    trust: float
    most: float


def averaged(
    places: Mapping[str, Array], links: Sequence[Trusted], sizes: Mapping[str, float] | None = None
) -> dict[str, Array]:
    """Places (sheet_from_tile, 3x3 similarities) which the links fit better. All their pieces must have one.

    sizes : magnification that each piece is to have, whatever the sizes are that links find; None: as these say.
    """
    at = {name: np.array(place, np.float64) for name, place in places.items()}
    if sizes is not None:
        at = {name: place @ np.diag([*[sizes[name] / scale_of(place)] * 2, 1.0]) for name, place in at.items()}
    columns = {name: 4 * k + np.arange(4) for k, name in enumerate(sorted(at))}
    growths = 4 * np.arange(len(at)) + GROWTH
    for width in WIDTHS:
        normal, right = np.zeros((4 * len(at),) * 2), np.zeros(4 * len(at))
        for one in links:
            rows, rest = _equations(one, at)
            if sizes is not None:
                rows, rest = rows[:-1].copy(), rest[:-1]
                rows[:, [GROWTH, 4 + GROWTH]] = 0
            weight = one.trust / (1 + (float(np.abs(rest).max()) / (width * one.most)) ** 2)
            mine = np.concatenate([columns[one.link.a], columns[one.link.b]])
            normal[np.ix_(mine, mine)] += weight * rows.T @ rows
            right[mine] -= weight * rows.T @ rest
        usual = np.diag(normal).mean()
        normal[np.ix_(growths, growths)] += usual / FREE**0.5  # the smaller all are, the less they miss each other by
        step = np.linalg.solve(normal + np.diag(FREE * (np.diag(normal) + usual)), right)
        at = {name: _stepped(place, step[columns[name]]) for name, place in at.items()}
    return at


def _equations(one: Trusted, at: Mapping[str, Array]) -> tuple[Array, Array]:
    """Derivatives (9, 8) by turn, growth and shift of both pieces (see `_stepped`), and (9,) px by which four points
    of their overlap miss each other on the sheet, and their sizes, one in `ONE_SIZE` as much as `most`."""
    item, per_size = one.link, one.most / ONE_SIZE
    low, high = item.xy_a.min(0), item.xy_a.max(0)
    xy_a = np.array([low, high, (low[0], high[1]), (high[0], low[1])])
    here, there = moved(at[item.a], xy_a), moved(at[item.b], moved(item.b_from_a, xy_a))
    grown = np.log(scale_of(at[item.a]) / scale_of(at[item.b]) / scale_of(item.b_from_a))
    rows = np.hstack([_by_motion(here, per_size), -_by_motion(there, per_size)])
    return rows, np.append((here - there).ravel(), per_size * grown)


def _by_motion(points: Array, per_size: float) -> Array:
    """(9, 4) derivatives of four points of the sheet, and of a size times `per_size`, by turn, growth and shift."""
    x, y = points.T
    one, none = np.ones(4), np.zeros(4)
    rows = np.stack([np.stack([-y, x, one, none], -1), np.stack([x, y, none, one], -1)], 1).reshape(8, 4)
    return np.vstack([rows, [0, per_size, 0, 0]])


def _stepped(place: Array, step: NDArray[np.floating[Any]]) -> Array:
    """A place after a turn (rad), growth (log) and shift (px) of what it shows, about the sheet's origin."""
    turn, growth, x, y = step
    c, s = np.exp(growth) * np.cos(turn), np.exp(growth) * np.sin(turn)
    return np.array([[c, -s, x], [s, c, y], [0, 0, 1]]) @ place
