"""I even out in light what is shown of lifted places, where no flat look exists.

In: a tile's level and lift. Out: the level with the lost light given back inside the lifted zone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.memory import late
from stitchbed.imaging.sample import sample
from stitchbed.mosaic.compositing.seams import SeamMap
from stitchbed.mosaic.photometry.gain_compensation import Level, shade_at
from stitchbed.mosaic.photometry.lift import Lift, inside
from stitchbed.mosaic.registration.placement import Placement, from_sheet

ndimage = late("scipy.ndimage")


def evened(level: Level, lift: Lift, size: tuple[int, int], shown: NDArray[np.bool_]) -> Level:
    """Level of a tile (h, w) whose shading makes up for the light lost in the lifted cells that are `shown`."""
    if not shown.any():
        return level
    rows, cols = int(np.ceil(size[0] / lift.cell)) + 1, int(np.ceil(size[1] / lift.cell)) + 1
    grid = np.stack(np.meshgrid(np.arange(cols), np.arange(rows)), -1).reshape(-1, 2).astype(np.float64) * lift.cell
    shading = shade_at(level, grid)[:, 0]
    given_back = ndimage.gaussian_filter(np.where(shown, lift.losses, 0.0), 0.7)
    lost = sample(given_back[..., None], grid, lift.cell)[:, 0]
    return replace(level, shading=(shading - np.log1p(-lost)).reshape(rows, cols), spacing=lift.cell)


def shown_cells(place: Placement, index: int, lift: Lift, seams: SeamMap) -> NDArray[np.bool_]:
    """Lifted cells of a tile that the canvas shows, because no other tile sees the place flat; like `lift.mask`."""
    shown = np.zeros_like(lift.mask)
    rows, cols = np.nonzero(seams.labels == index)
    if not lift.any or not len(rows):
        return shown
    middles = np.column_stack([cols, rows]).astype(np.float64)
    at = from_sheet(place, (middles + 0.5) * seams.cell - 0.5)
    at = at[(at > 0).all(1) & (at[:, 0] < place.size[1] - 1) & (at[:, 1] < place.size[0] - 1)]
    at = at[inside(lift, at)]
    shown[(at[:, 1] / lift.cell).astype(int), (at[:, 0] / lift.cell).astype(int)] = True
    return ndimage.binary_dilation(shown, iterations=2) & lift.mask


def square_cm(shown: NDArray[np.bool_], lift: Lift, px_per_mm: float) -> float:
    """Area of shown cells."""
    return float(shown.sum()) * (lift.cell / px_per_mm / 10) ** 2
