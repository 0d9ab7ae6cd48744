"""I say what the overlaps of a join know: which places of the canvas two pieces saw, and agreed on.

In: the record a join leaves beside its canvas. Out: for places of the canvas, whether two pieces or more show them.
"""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.core.files import read_file
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import found_notes

MARGIN_MM = 3.0  # from a piece's edge inward; nearer it may be blurred, lifted or dark


def pieces_of(canvas: Path) -> list[tuple[Array, float, float]]:
    """tile_from_canvas 3x3, height and width px of each piece of a canvas; none when it has no join's record."""
    with suppress(OSError, ValueError, KeyError, TypeError, AttributeError):  # any JSON may stand there
        record: dict[str, Any] = json.loads(read_file(found_notes(canvas)))
        if record.get("command") != "join":
            return []
        sizes = {row["name"]: (float(row["height"]), float(row["width"])) for row in record["inputs"]}
        return [
            (np.linalg.inv(np.array(place["canvas_from_tile"], np.float64)), *sizes[place["tile"]])
            for place in record["placements"]
        ]
    return []


def seen_twice(pieces: list[tuple[Array, float, float]], x: Array, y: Array, dpi: float) -> NDArray[np.bool_]:
    """(n,) whether two pieces or more show the places x, y px of the canvas."""
    margin = MARGIN_MM / MM_PER_INCH * dpi
    count = np.zeros(len(x), np.int64)
    for tile_from_canvas, height, width in pieces:
        at = tile_from_canvas @ np.stack([x, y, np.ones_like(x)])
        u, v = at[0] / at[2], at[1] / at[2]
        count += (u > margin) & (u < width - margin) & (v > margin) & (v < height - margin)
    return np.asarray(count >= 2)
