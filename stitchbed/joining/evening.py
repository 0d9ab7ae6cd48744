"""I even out in light what is shown of lifted places, where no flat look exists.

In: a tile's level and lift. Out: the level with the lost light given back inside the lifted zone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from stitchbed.joining.canvas import Canvas
from stitchbed.joining.levels import Level
from stitchbed.joining.lift import Lift, inside
from stitchbed.joining.patches import sample
from stitchbed.joining.seams import SeamMap
from stitchbed.placing.placement import Placement, from_sheet


def evened(level: Level, lift: Lift, size: tuple[int, int]) -> Level:
    """Level of a tile (h, w) whose shading, on the lift's cells, makes up for the light lost by lifting."""
    if not lift.any:
        return level
    rows, cols = int(np.ceil(size[0] / lift.cell)) + 1, int(np.ceil(size[1] / lift.cell)) + 1
    grid = np.stack(np.meshgrid(np.arange(cols), np.arange(rows)), -1).reshape(-1, 2).astype(np.float64) * lift.cell
    shading = sample(level.shading[..., None], grid + 0.5 * (level.spacing - 1), level.spacing)[:, 0]
    lost = sample(lift.losses[..., None], grid, lift.cell)[:, 0]
    return replace(level, shading=(shading - np.log1p(-lost)).reshape(rows, cols), spacing=lift.cell)


def shown_lifted(
    places: Sequence[Placement], lifts: Sequence[Lift], seams: SeamMap, canvas: Canvas
) -> list[tuple[str, float]]:
    """(tile, square cm) of lifted sheet that the canvas shows for want of a flat look."""
    shown = []
    for i, (place, lift) in enumerate(zip(places, lifts, strict=True)):
        rows, cols = np.nonzero(seams.labels == i)
        if not lift.any or not len(rows):
            continue
        middles = np.column_stack([cols, rows]).astype(np.float64)
        at = from_sheet(place, (middles + 0.5) * seams.cell - 0.5)
        within = (at > 0).all(1) & (at[:, 0] < place.size[1] - 1) & (at[:, 1] < place.size[0] - 1)
        area = float((inside(lift, at) & within).sum()) * (seams.cell / canvas.dpi * 2.54) ** 2
        if area > 0.5:
            shown.append((place.tile, round(area, 1)))
    return shown
