"""I turn a join record into the shapes laid over the picture: pieces, seams, residuals, heat, dust.

In: the record (missing keys are fine) and the seam map's file. Out: plain lists and path words in canvas px, for JSON.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import found_notes
from stitchbed.report.records import mapping, number, rows

Part = dict[str, Any]

MOST_ARROWS = 3000  # more cannot be told apart, and slow a phone down
WORST_KEPT = 800  # of them, the longest; the rest are taken evenly
HEAT_CELLS = 28  # along the long side: fine enough to find a lifted corner, coarse enough for some points in each
HEAT_STEPS = (0.25, 0.5, 0.75, 1.0, 1.5)  # px; half a pixel is the aim, one pixel shows in thin lines


def overlay_shapes(record: Mapping[str, Any], canvas: Path, size: tuple[int, int]) -> Part:
    """All shapes over a canvas of size (width, height) px."""
    return {
        "pieces": piece_outlines(record),
        "seams": seam_path(record, canvas),
        "arrows": arrows(record),
        "heat": heat_cells(record, size),
        "dust": [_spot(spot) for spot in rows(mapping(record.get("dust")), "spots")],
        "changes": changed_places(record),
        "lift": lifted_places(record),
        "links": link_centers(record),
    }


def piece_outlines(record: Mapping[str, Any]) -> list[Part]:
    """Name, number among the inputs, corners and middle of every placed piece."""
    inputs = {item.get("name"): (index, item) for index, item in enumerate(rows(record, "inputs"), start=1)}
    found = []
    for placed in rows(record, "placements"):
        matrix = _matrix(placed.get("canvas_from_tile"))
        index, item = inputs.get(placed.get("tile"), (0, {}))
        width, height = number(item.get("width")), number(item.get("height"))
        if matrix is not None and width > 0 and height > 0:
            corners = moved(matrix, [(0, 0), (width - 1, 0), (width - 1, height - 1), (0, height - 1)])
            middle = moved(matrix, [((width - 1) / 2, (height - 1) / 2)])[0]
            found.append({"name": str(placed.get("tile")), "number": index, "corners": corners, "middle": middle})
    return found


def moved(matrix: NDArray[np.float64], points: Iterable[tuple[float, float]]) -> list[list[float]]:
    """Points (x, y) px through a 3x3, rounded to a tenth."""
    flat = np.array([(*point, 1.0) for point in points]) @ matrix.T
    result: list[list[float]] = np.round(flat[:, :2] / flat[:, 2:], 1).tolist()
    return result


def seam_path(record: Mapping[str, Any], canvas: Path) -> str:
    """Borders between labels of the seam map as SVG path words in canvas px; empty without a readable map.

    The map is looked for beside the canvas's record only, whatever folder the record names.
    """
    seams = mapping(record.get("seams"))
    name, cell = seams.get("path"), number(seams.get("cell_px"))
    if not isinstance(name, str) or cell <= 0:
        return ""
    path = found_notes(canvas).parent / Path(name).name
    labels = cv2.imread(str(path), cv2.IMREAD_UNCHANGED) if path.is_file() else None
    if labels is None:
        return ""
    flat = labels.reshape(*labels.shape[:2], -1).astype(np.int64)
    return label_borders(flat @ (65536 ** np.arange(flat.shape[2])), cell)  # colors of a palette tell labels apart


def label_borders(labels: NDArray[Any], cell: float) -> str:
    """Borders between labels, runs of cells as one stroke. Cell k covers cell*k - .5 .. cell*(k+1) - .5 px."""
    words = []
    across = labels[:, 1:] != labels[:, :-1]
    down = labels[1:] != labels[:-1]
    for col, start, stop in _runs(across.T):
        words.append(f"M{(col + 1) * cell - 0.5:g} {start * cell - 0.5:g}V{stop * cell - 0.5:g}")
    for row, start, stop in _runs(down):
        words.append(f"M{start * cell - 0.5:g} {(row + 1) * cell - 0.5:g}H{stop * cell - 0.5:g}")
    return "".join(words)


def arrows(record: Mapping[str, Any]) -> list[list[float]]:
    """[x, y, dx, dy] px per residual: the longest ones and an even choice of the others."""
    table = _residuals(record)
    if len(table) > MOST_ARROWS:
        order = np.argsort(-np.hypot(table[:, 2], table[:, 3]), kind="stable")
        rest = np.sort(order[WORST_KEPT:])
        even = rest[np.linspace(0, len(rest) - 1, MOST_ARROWS - WORST_KEPT).astype(int)]
        table = table[np.concatenate([order[:WORST_KEPT], even])]
    return [[round(x, 1), round(y, 1), round(dx, 3), round(dy, 3)] for x, y, dx, dy in table.tolist()]


def heat_cells(record: Mapping[str, Any], size: tuple[int, int]) -> Part:
    """Root mean square residual per cell: {"cell": px, "cells": [[col, row, rms px, count], ...]}."""
    table = _residuals(record)
    cell = max(1.0, max(size) / HEAT_CELLS)
    if not len(table):
        return {"cell": cell, "cells": []}
    places = np.floor(table[:, :2] / cell).astype(int)
    keys, index = np.unique(places, axis=0, return_inverse=True)
    counts = np.bincount(index.ravel())
    squares = np.bincount(index.ravel(), weights=(table[:, 2:] ** 2).sum(1))
    rms = np.sqrt(squares / counts)
    cells = [[int(c), int(r), round(float(v), 3), int(n)] for (c, r), v, n in zip(keys, rms, counts, strict=True)]
    return {"cell": cell, "cells": cells}


def heat_step(rms: float) -> int:
    """0 (calm) to len(HEAT_STEPS): which shade a residual has."""
    return sum(rms >= step for step in HEAT_STEPS)


def lifted_places(record: Mapping[str, Any]) -> list[list[float]]:
    """[x, y] canvas px of cells where a piece was off the glass, evenly thinned."""
    matrices = {item.get("tile"): _matrix(item.get("canvas_from_tile")) for item in rows(record, "placements")}
    found = []
    for item in rows(record, "lift"):
        matrix = matrices.get(item.get("tile"))
        if matrix is not None:
            found += moved(matrix, [(number(item.get("x")), number(item.get("y")))])
    return found[:: max(1, -(-len(found) // MOST_ARROWS))]


def changed_places(record: Mapping[str, Any]) -> list[list[float]]:
    """[x, y, width, height] canvas px of places where pieces show different things."""
    dpi = number(mapping(record.get("canvas")).get("dpi"))
    found = []
    for item in rows(record, "changes"):
        width, height = (number(item.get(key)) * dpi / MM_PER_INCH for key in ("width_mm", "height_mm"))
        left, top = number(item.get("x")) - width / 2, number(item.get("y")) - height / 2
        found.append([round(value, 1) for value in (left, top, width, height)])
    return found


def link_centers(record: Mapping[str, Any]) -> list[Part]:
    """For each link the frame (x, y, width, height) px around its residuals, or around both pieces without any."""
    points: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for item in rows(record, "residuals"):
        key = str(item.get("a")), str(item.get("b"))
        points.setdefault(key, []).append((number(item.get("x")), number(item.get("y"))))
    middles = {piece["name"]: piece["middle"] for piece in piece_outlines(record)}
    found = []
    for item in rows(record, "links"):
        key = str(item.get("a")), str(item.get("b"))
        known = points.get(key) or [middles[name] for name in key if name in middles]
        if known:
            (x0, y0), (x1, y1) = np.min(known, axis=0), np.max(known, axis=0)
            found.append({"a": key[0], "b": key[1], "frame": [float(x0), float(y0), float(x1 - x0), float(y1 - y0)]})
    return found


def _residuals(record: Mapping[str, Any]) -> NDArray[np.float64]:
    """(N, 4) x, y, dx, dy."""
    names = ("x", "y", "dx", "dy")
    table = [[number(item.get(name)) for name in names] for item in rows(record, "residuals")]
    return np.array(table, np.float64).reshape(-1, 4)


def _spot(spot: Mapping[str, Any]) -> list[float]:
    return [
        round(number(spot.get("x")), 1),
        round(number(spot.get("y")), 1),
        round(number(spot.get("radius_px"), 4), 1),
    ]


def _matrix(value: object) -> NDArray[np.float64] | None:
    try:
        matrix = np.array(value, np.float64)
    except (TypeError, ValueError):
        return None
    return matrix if matrix.shape == (3, 3) and bool(np.isfinite(matrix).all()) else None


def _runs(mask: NDArray[np.bool_]) -> Iterable[tuple[int, int, int]]:
    """(line, start, stop) of each run of True along the second axis."""
    padded = np.pad(mask.astype(np.int8), ((0, 0), (1, 1)))
    step = np.diff(padded, axis=1)
    starts, stops = np.argwhere(step == 1), np.argwhere(step == -1)
    for (line, start), (_, stop) in zip(starts.tolist(), stops.tolist(), strict=True):
        yield line, start, stop
