"""I tell which parts of pieces were never seen because their scans broke off, though they stand there as black.

In: where pieces lie, their small pictures. Out: rectangles of each piece that are not to be used.

A scan that broke off is dead black from one side on; so may be a lid beside the sheet, or a black frame drawn along
its edge. What another piece shows of the same place tells.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import between, moved
from stitchbed.matching.laid_over import shown_at, unseen_boxes
from stitchbed.matching.overlap_evidence import GRAY, Detail

GRID = 32  # points along each side of a dead part that other pieces are asked for
LEAST_ASKED = 16  # points that others must see
LIT = 12 - GRAY  # gray levels: a black that a scanner sees, or a lid, is darker (see `inspection.sensor.ends.BLACK`)
LIT_SHARE = 0.5  # of the points others see


def broken_parts(
    places: Mapping[str, Array], details: Mapping[str, Detail]
) -> dict[str, tuple[tuple[float, float, float, float], ...]]:
    """Rectangles (left, top, width, height) px of each piece that are dead black where other pieces show something.

    places : sheet_from_tile 3x3 by name.
    """
    return {
        name: tuple(box for box in unseen_boxes(details[name].plain) if _denied(name, box, places, details))
        for name in places
    }


def _denied(
    name: str, box: tuple[float, float, float, float], places: Mapping[str, Array], details: Mapping[str, Detail]
) -> bool:
    """True where most of what other pieces show of a part of a piece is not black, and not unseen either."""
    left, top, width, height = box
    steps = (np.arange(GRID) + 0.5) / GRID
    at = np.stack(np.meshgrid(left + width * steps, top + height * steps), -1).reshape(-1, 2)
    others = [one for one in places if one != name]
    shown = [shown_at(details[one].plain, moved(between(places[name], places[one]), at)) for one in others]
    told = np.concatenate([np.zeros(0, np.int8), *shown])
    return bool(len(told) >= LEAST_ASKED and (told > LIT).mean() > LIT_SHARE)
