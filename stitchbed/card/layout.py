"""I lay the patches of any chart into a picture by the four corners of its patch field.

In: patch names or places from a reference file, four corners in px. Out: each patch's quadrilateral in px.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import cv2
import numpy as np

from stitchbed.card.cgats import References
from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings


def chart_places(references: References) -> dict[str, Array]:
    """Patch -> (4, 2) corners in a unit square whose corners are those of the patch field.

    Places in mm from the file if it has them, else a grid from names such as A1 .. L22 (row letter, column number; gray
    steps GS0 .. that lie outside of the grid are left out).

    Raises
    ------
    BadSettings : no places, and names that make no full grid.
    """
    if references.places:
        return _by_millimeters(references.places)
    cells = _grid(references.lab)
    rows = sorted({row for row, _ in cells.values()})
    columns = sorted({column for _, column in cells.values()})
    if not cells or len(rows) * len(columns) != len(cells):
        raise _no_layout(references)
    h, w = 1 / len(rows), 1 / len(columns)
    return {name: _box(columns.index(c) * w, rows.index(r) * h, w, h) for name, (r, c) in cells.items()}


def in_picture(places: Mapping[str, Array], corners: Array) -> dict[str, Array]:
    """Unit-square places through four picture corners (4, 2) px: top left, top right, bottom right, bottom left."""
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
    matrix = np.asarray(cv2.getPerspectiveTransform(unit, corners.astype(np.float32)), dtype=np.float64)
    moved = {}
    for name, quad in places.items():
        w = quad @ matrix[2, :2] + matrix[2, 2]
        moved[name] = (quad @ matrix[:2, :2].T + matrix[:2, 2]) / w[:, None]
    return moved


def _by_millimeters(places: Mapping[str, Array]) -> dict[str, Array]:
    boxes = np.stack(list(places.values()))
    low = boxes[:, :2].min(0)
    span = (boxes[:, :2] + boxes[:, 2:]).max(0) - low
    return {name: _box(*((box[:2] - low) / span), *(box[2:] / span)) for name, box in places.items()}


def _grid(lab: Mapping[str, Array]) -> dict[str, tuple[str, int]]:
    """Name -> (row letters, column) of names like A1; gray steps GS.. do not count."""
    cells = {}
    for name in lab:
        match = re.fullmatch(r"([A-Z]{1,2}?)(\d{1,3})", name)
        if match and match[1] != "GS":
            cells[name] = (match[1].rjust(2), int(match[2]))
    return cells


def _box(x: float, y: float, w: float, h: float) -> Array:
    return np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], dtype=np.float64)


def _no_layout(references: References) -> BadSettings:
    names = ", ".join(list(references.lab)[:8])
    return BadSettings(
        f"{references.title} does not say where its patches lie ({names} ...)",
        expected="columns X_MM Y_MM W_MM H_MM, or patch names that make a full grid such as A1 .. L22",
        attempt="add the four columns to the file, in mm from the chart's top left corner",
    )
