"""I say what to scan next: how much of the sheet the pieces so far cover, and which capture of the plan is missing.

In: pieces laid beside each other (mm, in a frame of their own), a plan of captures. Out: where they lie on the sheet,
what is covered, the next capture and how far it is from the last piece.

Where the sheet begins is not known while it is being scanned. The first piece is taken for one of the plan's captures:
the first in their order, laid as planned or turned, by which no piece lies beside the sheet. Once they span the sheet,
they are centered on it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.planning.captures import Capture, CapturePlan, Size

CELL_MM = 3.0  # of the map of what is covered; a tenth of the overlap that neighbors should share
RIM_MM = 15.0  # of a capture that need not be seen: nobody lays a sheet more exactly, and neighbors see it
COVERED = 0.95  # of a capture's part of the sheet within its rim
SPANNED_MM = 15.0  # by which pieces that span the sheet may fall short of it
COARSE_MM = 30.0  # lying beside the sheet is told apart in such steps: nobody lays a sheet more exactly
TURNS = (0, 180, 90, 270)  # degrees by which the first piece may lie otherwise than planned, the likeliest first
NEAR_MM = 12.0  # a step of less is none


@dataclass(frozen=True)
class Laid:
    """A piece. corners : (4, 2) mm, clockwise from its picture's top left. turn_deg : of its picture, clockwise."""

    name: str
    corners: Array
    turn_deg: float


@dataclass(frozen=True)
class Coverage:
    """pieces : on the sheet, mm. covered : share of the sheet, 0..1. next : the first capture that is missing, or None.

    right_mm, down_mm : from the middle of the last piece to that of the next. turn_deg : of the next scan's picture
    against the last one's, clockwise: 0, 90, 180 or 270.
    """

    pieces: tuple[Laid, ...]
    covered: float
    next: Capture | None
    right_mm: float = 0.0
    down_mm: float = 0.0
    turn_deg: int = 0


def coverage_of(laid: Sequence[Laid], plan: CapturePlan, art_mm: Size) -> Coverage:
    """What is covered and what comes next. laid : at least one piece, the last scanned at the end."""
    pieces = _on_sheet(laid, plan, art_mm)
    seen = _covered(pieces, art_mm)
    missing = next((one for one in plan.captures if _share(seen, one) < COVERED), None)
    covered = float(seen.mean())
    if missing is None:
        return Coverage(pieces, covered, None)
    last = pieces[-1]
    step = _middle_of(missing) - last.corners.mean(axis=0)
    # a scan's picture is turned clockwise against the sheet by its capture's turn; a laid piece undoes that
    turn = round((missing.turn_deg + last.turn_deg) / 90) * 90 % 360
    return Coverage(pieces, covered, missing, float(step[0]), float(step[1]), turn)


def _on_sheet(laid: Sequence[Laid], plan: CapturePlan, art_mm: Size) -> tuple[Laid, ...]:
    ways = [_taken_for(laid, capture, turn) for turn in TURNS for capture in plan.captures]
    # a piece lies beside the sheet by no more than the bed is larger; of equal ways the first in the order of scanning
    best = min(range(len(ways)), key=lambda way: (round(_beside(ways[way], plan, art_mm) / COARSE_MM), way))
    return _centered(ways[best], art_mm)


def _taken_for(laid: Sequence[Laid], capture: Capture, more: int) -> tuple[Laid, ...]:
    """The pieces on the sheet if the first of them is this capture, laid turned by so many degrees more."""
    first = laid[0]
    turn = more - capture.turn_deg - round(first.turn_deg / 90) * 90
    angle = math.radians(turn)
    spin = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    shift = _middle_of(capture) - spin @ first.corners.mean(axis=0)
    return tuple(Laid(one.name, one.corners @ spin.T + shift, (one.turn_deg + turn) % 360) for one in laid)


def _beside(pieces: Sequence[Laid], plan: CapturePlan, art_mm: Size) -> float:
    """How far pieces reach beyond the sheet, mm, the farthest of each side summed; what captures do is free."""
    corners = np.concatenate([one.corners for one in pieces])
    free = max(max(0.0, -one.x_mm, -one.y_mm) for one in plan.captures)
    low, high = -corners.min(axis=0) - free, corners.max(axis=0) - np.array(art_mm) - free
    return float(np.maximum(low, 0).sum() + np.maximum(high, 0).sum())


def _centered(pieces: tuple[Laid, ...], art_mm: Size) -> tuple[Laid, ...]:
    corners = np.concatenate([one.corners for one in pieces])
    low, high = corners.min(axis=0), corners.max(axis=0)
    spans = high - low >= np.array(art_mm) - SPANNED_MM
    shift = np.where(spans, (np.array(art_mm) - low - high) / 2, 0.0)
    return tuple(Laid(one.name, one.corners + shift, one.turn_deg) for one in pieces)


def _covered(pieces: Sequence[Laid], art_mm: Size) -> Mask:
    """(rows, columns) cells of CELL_MM of the sheet whose middle some piece sees."""
    xs, ys = (np.arange(CELL_MM / 2, side, CELL_MM) for side in art_mm)
    x, y = xs[None, :], ys[:, None]
    seen = np.zeros((len(ys), len(xs)), bool)
    for one in pieces:
        ends = np.roll(one.corners, -1, axis=0)
        sides = [
            (b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0]) for a, b in zip(one.corners, ends, strict=True)
        ]
        seen |= np.all([side >= 0 for side in sides], axis=0) | np.all([side <= 0 for side in sides], axis=0)
    return seen


def _share(seen: Mask, capture: Capture) -> float:
    """Of a capture's part of the sheet, but for its rim, the share that is covered."""
    top, left = (max(0.0, start) + RIM_MM for start in (capture.y_mm, capture.x_mm))
    bottom, right = (start - RIM_MM for start in (capture.y_mm + capture.height_mm, capture.x_mm + capture.width_mm))
    part = seen[round(top / CELL_MM) : round(bottom / CELL_MM), round(left / CELL_MM) : round(right / CELL_MM)]
    return float(part.mean()) if part.size else 1.0


def _middle_of(capture: Capture) -> Array:
    return np.array([capture.x_mm + capture.width_mm / 2, capture.y_mm + capture.height_mm / 2])


def words_of(found: Coverage) -> str:
    """What to scan next, in a sentence; directions are those of the sheet as one looks at its picture."""
    share = f"{100 * found.covered:.0f} % of the sheet is covered"
    if found.next is None:
        return f"{share}: no capture of the plan is missing"
    steps = [
        f"{abs(mm):.0f} mm farther {ways[mm < 0]}"
        for mm, ways in ((found.right_mm, ("to the right", "to the left")), (found.down_mm, ("down", "up")))
        if abs(mm) >= NEAR_MM
    ]
    turn = {0: "the same way up", 180: "the other way up"}.get(
        found.turn_deg, f"turned by a quarter {'clockwise' if found.turn_deg == 90 else 'against the clock'}"
    )
    where = " and ".join(steps) or "the same place"
    return f"{share}; next: {where} than the last piece, {turn}" if steps else f"{share}; next: {where}, {turn}"
