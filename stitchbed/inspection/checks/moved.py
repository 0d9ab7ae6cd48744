"""I judge whether a sheet moved while it was scanned, by its own two sides in that scan.

In: looks. Out: where each sheet moved, and findings.

What no overlap reaches no neighbor can tell: the middle of a piece in a column turns, and all beyond it with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.inspection.findings import Finding
from stitchbed.inspection.looks import Glance
from stitchbed.inspection.sensor.moved_sheet import bend_of, sides_of

LEAST_TURN = np.deg2rad(0.15)  # the sides of a sheet cut by hand bend by less
LEAST_STEP_MM = 0.2
SURE = 5.0  # one sd


@dataclass(frozen=True)
class Moved:
    """What a sheet did in a scan: index of the piece, row px; turn rad, clockwise as seen, and step px across the way,
    of what was scanned later against what was scanned before."""

    index: int
    row: float
    turn: float
    step: float


def moved_sheets(looks: Sequence[Glance], dpi: Sequence[float]) -> list[Moved]:
    """Of pieces (dpi each) that show both sides of the sheet."""
    found = []
    for index, (look, own_dpi) in enumerate(zip(looks, dpi, strict=True)):
        px_per_mm = own_dpi / MM_PER_INCH / look.reduction
        sides = sides_of(look.gray, px_per_mm)
        bend = bend_of(sides, px_per_mm) if sides else None
        if bend is None:
            continue
        least = LEAST_STEP_MM * px_per_mm
        turned = abs(bend.turn) > max(LEAST_TURN, SURE * bend.turn_sd) and bend.step_sd < least / 2
        slipped = abs(bend.step) > max(least, SURE * bend.step_sd)
        if turned or slipped:
            found.append(Moved(index, bend.at * look.reduction, bend.turn, bend.step * look.reduction))
    return found


def moved_findings(moved: Sequence[Moved], dpi: Sequence[float]) -> list[tuple[int, Finding]]:
    """In words."""
    found = []
    for one in moved:
        mm = one.row / dpi[one.index] * MM_PER_INCH
        turn = abs(float(np.rad2deg(one.turn)))
        way = f"turned by {turn:.1f} degrees" if abs(one.turn) > LEAST_TURN else "slipped aside"
        why = f"the sheet {way} while it was scanned, near {mm:.0f} mm from the top: both its sides show it there"
        change = "what lies beyond may be turned or off with it; hold the sheet still and scan again"
        numbers = {"row": round(one.row), "turn_deg": round(turn, 2), "step_px": round(abs(one.step), 1)}
        found.append((one.index, Finding("moved", "redo", why, change, numbers)))
    return found
