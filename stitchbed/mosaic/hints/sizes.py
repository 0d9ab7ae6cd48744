"""I make the sheet as large as a person measured it: its scale, and with two directions the ratio of its axes.

In: distances said between spots of pieces, measured places. Out: true dpi and a stretch of the canvas, rows for the
record.

A scanner's own dpi is good to half a percent and its axes to a few permille; a distance that asks for much more than
that was measured or typed wrongly, and is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.mosaic.hints.kinds import Distance
from stitchbed.mosaic.hints.writing import to_text
from stitchbed.mosaic.registration.placement import Placement, to_sheet

MOST_OFF = 0.03  # share by which a sheet may be larger or smaller than the files' dpi say
MOST_ASKEW = 0.01  # share by which its axes may differ
TWO_WAYS = np.deg2rad(30.0)  # between directions that tell the axes apart
TELLING = 0.003  # share by which several distances may contradict each other before it is told


@dataclass(frozen=True)
class Sized:
    """larger : true mm of the sheet over those its dpi say, along its width. stretch : what its height is larger
    besides. rows : of each distance, for the record."""

    larger: float = 1.0
    stretch: float = 1.0
    rows: tuple[dict[str, Any], ...] = ()


def sized(said: Sequence[Distance], places: Sequence[Placement], dpi: float, turn: float) -> Sized:
    """What distances say of the sheet. dpi : of the sheet's px, as declared. turn : of the sheet that is taken out on
    the canvas, rad."""
    index = {place.tile: place for place in places}
    known = [one for one in said if one.a in index and one.b in index]
    if not known:
        return Sized()
    c, s = np.cos(turn), np.sin(turn)
    upright = np.array([[c, s], [-s, c]]) * MM_PER_INCH / dpi
    ends = [to_sheet(index[n], np.array([at]))[0] for one in known for n, at in ((one.a, one.a_at), (one.b, one.b_at))]
    ways = (np.array(ends[1::2]) - np.array(ends[::2])) @ upright.T
    told = np.array([one.mm for one in known])
    found = _solved(ways, told)
    rest = np.hypot(ways[:, 0] * found.larger, ways[:, 1] * found.larger * found.stretch) / told - 1
    off, askew = abs(found.larger - 1), abs(found.stretch - 1)
    if off > MOST_OFF or askew > MOST_ASKEW:
        words = (
            f"refused: the sheet would be {100 * (found.larger - 1):+.1f} % wider and "
            f"{100 * (found.larger * found.stretch - 1):+.1f} % higher than the dpi of its files say"
        )
        return Sized(rows=tuple(_row(one, words, False) for one in known))
    words = f"followed: the sheet is {100 * (found.larger - 1):+.2f} % wider than its files say"
    words += (
        f", {100 * (found.larger * found.stretch - 1):+.2f} % higher" if found.stretch != 1 else " and as much higher"
    )
    rows = []
    for one, left in zip(known, rest, strict=True):
        doubt = f"; {100 * left:+.2f} % are left of this one, the distances contradict each other"
        rows.append(_row(one, words + (doubt if abs(left) > TELLING else ""), True, abs(left) > TELLING))
    return replace(found, rows=tuple(rows))


def _solved(ways: Array, told: Array) -> Sized:
    """Least squares of squared lengths, which are linear in the squared scales of both axes."""
    squares = (ways / told[:, None]) ** 2
    angles = np.arctan2(ways[:, 1], ways[:, 0])
    if np.abs(np.sin(angles[:, None] - angles[None])).max() < np.sin(TWO_WAYS):
        both = squares.sum(1)
        return Sized(float(np.sqrt(both.sum() / (both**2).sum())))
    wide, high = np.sqrt(np.maximum(np.linalg.lstsq(squares, np.ones(len(told)), rcond=None)[0], 1e-12))
    return Sized(float(wide), float(high / wide))


def _row(one: Distance, words: str, followed: bool, against: bool = False) -> dict[str, Any]:
    return {
        "kind": "distance", "text": to_text(one), "followed": followed, "against": against or not followed,
        "words": words, "moved_px": {}, "neighbors": [],
    }  # fmt: skip
