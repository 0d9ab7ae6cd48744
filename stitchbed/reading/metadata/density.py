"""I turn the densities files state into dots per inch as they were meant.

In: numbers and units of TIFF, EXIF, JFIF, PNG. Out: (x, y) dpi or None.
"""

from __future__ import annotations

import math

CM_PER_INCH = 2.54
INCH_M = 0.0254

COMMON = (72, 96, 100, 150, 200, 240, 300, 360, 400, 600, 720, 800, 1200, 1600, 2400, 3200, 4800)
LEAST, MOST = 1.0, 20_000.0  # outside no scanner or camera: such a number is a writer's mistake, common practice


def sensible(dpi: float, step: float) -> float:
    """The dpi that was meant by a number stored in steps of `step` dpi.

    A step of half a unit either way is rounding of the writer: 11811 px per meter is 299.9994 dpi and means 300.
    """
    for meant in (*COMMON, round(dpi)):
        if abs(meant - dpi) <= step / 2 + 1e-9:
            return float(meant)
    return round(dpi, 4)


def dpi_pair(x: float, y: float, per_inch: float, step: float) -> tuple[float, float] | None:
    """(x, y) dpi of two stored numbers; `per_inch` turns them into dpi, `step` is the stored unit's step in dpi.

    None when a number is missing, zero, not finite or absurd.
    """
    pair = (x * per_inch, y * per_inch)
    if not all(math.isfinite(value) and LEAST <= value <= MOST for value in pair):
        return None
    return sensible(pair[0], step), sensible(pair[1], step)


def from_png(x: int, y: int) -> tuple[float, float] | None:
    """pHYs in whole pixels per meter. Reference: ISO/IEC 15948, 11.3.5.3."""
    return dpi_pair(x, y, INCH_M, INCH_M)


def from_jfif(unit: int, x: int, y: int) -> tuple[float, float] | None:
    """JFIF units: 1 dots per inch, 2 dots per cm, 0 only a ratio. Reference: ITU-T T.871, 10.1."""
    if unit == 1:
        return dpi_pair(x, y, 1.0, 1.0)
    return dpi_pair(x, y, CM_PER_INCH, CM_PER_INCH) if unit == 2 else None


def from_tiff(unit: int, x: tuple[int, int], y: tuple[int, int]) -> tuple[float, float] | None:
    """XResolution, YResolution as fractions; unit 2 inch, 3 cm, 1 none. Reference: TIFF 6.0 (1992), tags 282, 283, 296.

    Writers round centimeters to two decimals (118.11) or take over the whole px per meter of another format: either is
    a step of 0.0254 dpi.
    """
    if x[1] == 0 or y[1] == 0 or unit not in (2, 3):
        return None
    per_inch = CM_PER_INCH if unit == 3 else 1.0
    return dpi_pair(x[0] / x[1], y[0] / y[1], per_inch, INCH_M)
