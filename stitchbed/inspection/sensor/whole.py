"""I tell what a sensor, a driver or a broken transfer did to a scan, from a view of the whole.

In: a small gray view and windows of stored pixels. Out: frozen values: lines along the travel, few tones, black ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.inspection.sensor.ends import black_end, few_tones
from stitchbed.inspection.sensor.lines import Streak, columns_of, rows_of


@dataclass(frozen=True)
class Sensed:
    """streaks : lines. tones : number of 8-bit codes in use when they are too few, else None. black : (side, share of
    the length) of a black end, else None.
    """

    streaks: tuple[Streak, ...]
    tones: int | None
    black: tuple[str, float] | None

    @property
    def columns(self) -> list[Streak]:
        """Lines along the travel."""
        return [one for one in self.streaks if one.axis == 1]


def sensed(view: Floats, reduction: int, windows: Sequence[NDArray[Any]], bits: int) -> Sensed:
    """All of it. view : (h, w) gray 0..255. windows : of stored pixels (h, w, c). bits : per channel."""
    lines = (*columns_of(view, reduction), *rows_of(view))
    return Sensed(lines, few_tones(windows) if bits > 1 else None, black_end(view))
