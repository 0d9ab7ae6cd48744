"""I make ties of the points a person said to be the same, measured on the full picture where there is drawing.

In: hints in px, places good to some px. Out: ties: to a few hundredths of a pixel where the pictures show the spot,
else as said and no surer than was said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.mosaic.hints.kinds import SamePoint
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.registration.tie_points import ReadGray, Ties, TieSettings, gathered, measure

LEAST_ALIKE = 0.6  # correlation from which a spot was found again near where a person said
FARTHEST_PX = 60  # of the search round a point: beyond, it costs more than it finds
WINDOW_MM = 4.0


@dataclass(frozen=True)
class SaidPoint:
    """One hint on the tiles (a, b) by index; at (2, 2) px: in a, in b. info : (2, 2) px^-2. found : by the pictures."""

    a: int
    b: int
    at: Array
    info: Array
    found: bool


def said_points(
    said: Sequence[SamePoint], places: Sequence[Placement], px_per_mm: Array, read: ReadGray, settings: TieSettings
) -> list[SaidPoint]:
    """Each hint whose two pieces are among the places, measured where it can be."""
    index = {place.tile: i for i, place in enumerate(places)}
    found = []
    for one in said:
        if one.a in index and one.b in index:
            found.append(_measured(one, (index[one.a], index[one.b]), places, px_per_mm, (read, settings)))
    return found


def said_ties(
    said: Sequence[SamePoint], places: Sequence[Placement], px_per_mm: Array, read: ReadGray, settings: TieSettings
) -> Ties:
    """The same as ties."""
    points = said_points(said, places, px_per_mm, read, settings)
    return gathered([(one.a, one.b, one.at[0], one.at[1], one.info, 0.0) for one in points])


def _measured(
    one: SamePoint,
    pair: tuple[int, int],
    places: Sequence[Placement],
    px_per_mm: Array,
    how: tuple[ReadGray, TieSettings],
) -> SaidPoint:
    read, settings = how
    scale = float(px_per_mm[pair[0]])
    within = one.within_mm * scale
    window = int(np.clip(round(WINDOW_MM * scale / 2) * 2, 24, settings.widest_px))
    jobs = {pair: np.array([one.a_at])}
    reach = int(min(FARTHEST_PX, 2 * within + 6))
    ties = measure(places, jobs, read, window_px=window, reach_px=reach, settings=settings)
    if len(ties.a) and ties.correlation[0] > LEAST_ALIKE:
        # the window's middle is a whole pixel or half of one beside the point: its counterpart lies as far beside b_at
        there = np.linalg.solve(places[pair[1]].sheet_from_tile[:2, :2], places[pair[0]].sheet_from_tile[:2, :2])
        off = ties.xy_b[0] - np.array(one.b_at) - there @ (ties.xy_a[0] - np.array(one.a_at))
        if np.hypot(*off) < 2 * within + 1:
            return SaidPoint(*pair, np.array([ties.xy_a[0], ties.xy_b[0]]), ties.info[0], True)
    return SaidPoint(*pair, np.array([one.a_at, one.b_at]), np.eye(2) / max(within / 2, 0.05) ** 2, False)
