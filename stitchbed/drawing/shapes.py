"""I name what can be drawn: rectangles, polygons, grids, words, on a page in mm.

In: nothing. Out: frozen shapes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Rgb = tuple[int, int, int]

TEXT_GRAY: Rgb = (0, 0, 0)


@dataclass(frozen=True)
class Rect:
    """Axis-parallel rectangle, mm."""

    x: float
    y: float
    width: float
    height: float
    color: Rgb


@dataclass(frozen=True)
class Polygon:
    """Convex polygon, corners in mm."""

    corners: tuple[tuple[float, float], ...]
    color: Rgb


@dataclass(frozen=True)
class Text:
    """One line, starting at x with its baseline at y. size : mm of the font. bold : heavier."""

    x: float
    y: float
    size: float
    words: str
    bold: bool = False
    color: Rgb = TEXT_GRAY


@dataclass(frozen=True)
class Grid:
    """Square cells of `cell` mm, black where `dark` (rows, columns) is True, nothing elsewhere."""

    x: float
    y: float
    cell: float
    dark: NDArray[np.bool_]
    color: Rgb = (0, 0, 0)


Shape = Rect | Polygon | Text | Grid


@dataclass(frozen=True)
class CardPage:
    """width, height : mm. shapes : in drawing order."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
