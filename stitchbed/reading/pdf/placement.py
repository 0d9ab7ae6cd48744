"""I say how a picture lies on a PDF page: which way up, how dense, whether it fills the page.

In: the matrix it is painted with, the page's box and turn. Out: orientation 1..8, dpi, share of the page.

Reference: ISO 32000-2:2020, 7.7.3.3 (MediaBox, Rotate, UserUnit), 8.3.3 (user space), 8.9.5 (pictures fill the unit
square, first row on top).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from stitchbed.reading.metadata.density import LEAST, MOST, sensible
from stitchbed.reading.pdf.content import Matrix

POINTS = 72.0  # per inch
ASKEW = math.radians(5)  # scanner software straightens a page by turning its picture on it; more is a layout
SHEAR = math.radians(0.1)
FULL = 0.98  # share of a page from which on a picture fills it; the rest is margins of a printer
# (stored columns run, stored rows run) as shown, (x, y) with y down -> orientation of TIFF tag 274
TURNS = {
    ((1, 0), (0, 1)): 1, ((-1, 0), (0, 1)): 2, ((-1, 0), (0, -1)): 3, ((1, 0), (0, -1)): 4,
    ((0, 1), (1, 0)): 5, ((0, 1), (-1, 0)): 6, ((0, -1), (-1, 0)): 7, ((0, -1), (1, 0)): 8,
}  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """A page: box (left, bottom, right, top) in its units, quarter turns it is shown with, points per unit."""

    box: tuple[float, float, float, float]
    turns: int
    unit: float


@dataclass(frozen=True)
class Placement:
    """orientation : 1..8. dpi : of stored (columns, rows), or None. fills : it covers the page."""

    orientation: int
    dpi: tuple[float, float] | None
    fills: bool
    askew_deg: float


def sheet_of(page: Any) -> Sheet:
    """Facts of a page (pikepdf.Page)."""
    left, bottom, right, top = (float(value) for value in page.cropbox)
    unit = float(page.obj.get("/UserUnit", 1))
    turns = round(float(page.obj.get("/Rotate", 0)) / 90) % 4
    box = (min(left, right), min(bottom, top), max(left, right), max(bottom, top))
    return Sheet(box, turns, unit if 0 < unit < 1e6 else 1.0)


def placed(matrix: Matrix, sheet: Sheet, size: tuple[int, int]) -> Placement | None:
    """How a picture of (height, width) px lies on a page; None when it is sheared, turned freely or has no area."""
    a, b, c, d, e, f = matrix
    across, down = complex(a, b), -complex(c, d)
    if not all(math.isfinite(value) for value in matrix) or abs(across) < 1e-9 or abs(down) < 1e-9:
        return None
    turned = math.remainder(math.atan2(across.imag, across.real), math.pi / 2)
    corner = math.remainder(math.atan2(down.imag, down.real) - math.atan2(across.imag, across.real), math.pi / 2)
    if abs(turned) > ASKEW or abs(corner) > SHEAR:
        return None
    ways = _way(across, sheet.turns), _way(down, sheet.turns)
    if ways not in TURNS:
        return None
    dpi = tuple(_dpi(px, abs(run) * sheet.unit) for px, run in ((size[1], across), (size[0], down)))
    xs, ys = sorted((e, e + a + c)), sorted((f, f + b + d))
    return Placement(
        TURNS[ways],
        (dpi[0], dpi[1]) if all(LEAST <= value <= MOST for value in dpi) else None,
        _covers(xs, ys, sheet.box),
        math.degrees(turned),
    )


def _way(run: complex, turns: int) -> tuple[int, int]:
    """The direction in which a run on the page is shown: (x, y) with y down, each -1, 0 or 1."""
    shown = complex(run.real, -run.imag) * 1j**turns  # with y down, a quarter turn clockwise multiplies by i
    if abs(shown.real) > abs(shown.imag):
        return (1 if shown.real > 0 else -1), 0
    return 0, (1 if shown.imag > 0 else -1)


def _dpi(px: int, points: float) -> float:
    """Dpi of px over a length: pages are rounded to points or hundredths, pictures to px, and that much is free."""
    dpi = px / points * POINTS
    rounded = 1.0 if abs(points - round(points)) < 1e-3 else 0.01
    return sensible(dpi, dpi * (1 / px + rounded / points)) if math.isfinite(dpi) else 0.0


def _covers(xs: list[float], ys: list[float], box: tuple[float, float, float, float]) -> bool:
    left, bottom, right, top = box
    width = min(xs[1], right) - max(xs[0], left)
    height = min(ys[1], top) - max(ys[0], bottom)
    return width >= FULL * (right - left) and height >= FULL * (top - bottom)
