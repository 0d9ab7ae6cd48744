"""I resample one tile over a box of the canvas, leveled and without its specks.

In: a plan, a way to read windows, a tile and a box. Out: a `Layer` of linear light. Each pixel is resampled once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats, Mask, Pixels
from stitchbed.imaging.box import Box, clipped, grown, shifted, spanning
from stitchbed.imaging.node_grid import NODE, dense, nodes
from stitchbed.imaging.resampling import kernel_reach, resampled, softness
from stitchbed.imaging.transfer import Transfer, tone_table
from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.photometry.gain_compensation import Level, shade_at
from stitchbed.mosaic.registration.canvas import way_back
from stitchbed.mosaic.registration.placement import Placement, is_barred, magnification
from stitchbed.reading.base.tile import Tile

TABLES = 24  # of .8 MB in 16 bits: the pieces that a row of units looks at
ReadWindow = Callable[[Tile, Box], Pixels]


@dataclass(frozen=True)
class Source:
    """Where rendering reads: color and alpha windows of originals, and their tone curve."""

    window: ReadWindow
    alpha: Callable[[Tile, Box], Pixels | None]
    transfer: Transfer

    @cached_property
    def tone_tables(self) -> Callable[..., Floats]:
        """`tone_table` of a depth, a number of channels and a level, for the last TABLES of them: one of 16 bits takes
        a quarter of the time of the unit it is made for."""

        @lru_cache(TABLES)
        def table(dtype: str, channels: int, *numbers: tuple[float, ...]) -> Floats:
            return tone_table(np.zeros((1, 1, channels), dtype), self.transfer, *numbers)

        return table


@dataclass(frozen=True)
class Layer:
    """One tile over a box: light (h, w, c) and where it truly sees (None: everywhere)."""

    light: Floats
    valid: Mask | None

    @property
    def whole(self) -> bool:
        """True when the tile sees the whole box."""
        return self.valid is None or bool(self.valid.all())

    @property
    def sight(self) -> Mask:
        """Where the tile sees, (h, w)."""
        return np.ones(self.light.shape[:2], bool) if self.valid is None else self.valid


def clean_layer(plan: Plan, source: Source, index: int, box: Box, spots: Sequence[Spot]) -> Layer:
    """One tile over a box, those of its specks that are among `spots` taken from tiles that see their places clean."""
    layer = layer_of(plan, source, index, box)
    for spot in spots:
        if spot.seen_in == index and _touches(spot, box):
            _mend(layer.light, plan, source, spot, box)
    return layer


def spots_near(plan: Plan, box: Box) -> tuple[Spot, ...]:
    """The plan's specks that may change something within a box."""
    return tuple(spot for spot in plan.spots if _touches(spot, box))


def _touches(spot: Spot, box: Box) -> bool:
    reach = spot.radius + 3
    across = box.col - reach < spot.x < box.right + reach
    return across and box.row - reach < spot.y < box.bottom + reach


def _mend(light: Floats, plan: Plan, source: Source, spot: Spot, box: Box) -> None:
    """Put the clean tile's look at a speck into `light` (of `box`), shifted to the tone round the speck."""
    reach = int(np.ceil(spot.radius)) + 6
    row0, col0 = (int(spot.y) - reach) // NODE * NODE, (int(spot.x) - reach) // NODE * NODE
    rows = -(-(int(spot.y) + reach + 1 - row0) // NODE) * NODE
    cols = -(-(int(spot.x) + reach + 1 - col0) // NODE) * NODE
    around = Box(row0, col0, rows, cols)
    mine, other = layer_of(plan, source, spot.seen_in, around), layer_of(plan, source, spot.clean_in, around)
    y, x = np.mgrid[row0 : row0 + rows, col0 : col0 + cols]
    away = np.hypot(x - spot.x, y - spot.y)
    ring = (away > spot.radius + 1.5) & (away < spot.radius + 5) & mine.sight & other.sight
    if not ring.any() or not other.sight[away < spot.radius + 2].all():
        return
    tone = np.median((mine.light - other.light)[ring], axis=0)
    share = np.clip((spot.radius + 2 - away) / 1.5, 0, 1)[..., None].astype(np.float32)
    mended = mine.light + share * (other.light + tone - mine.light)
    common = clipped(around, box)
    part = light[shifted(common, -box.row, -box.col).slices]
    here = shifted(common, -row0, -col0).slices
    part[...] = np.where(share[here] > 0, mended[here], part)


def layer_of(plan: Plan, source: Source, index: int, box: Box) -> Layer:
    """One tile resampled and leveled over a box (origin and size multiples of NODE)."""
    place, tile, level = plan.places[index], plan.tiles[index], plan.levels[index]
    at = way_back(place, nodes(box))
    soft = softness(1 / magnification(place))
    window = _window(at, place.size, kernel_reach(soft))
    if window.empty:
        blank = np.zeros((box.height, box.width, plan.channels), np.float32)
        return Layer(blank, np.zeros(blank.shape[:2], bool))
    pixels = source.window(tile, window)
    if not level.plain and pixels.shape[2] < len(level.gain):  # a gray piece among colored ones has a gain per color
        pixels = np.repeat(pixels, len(level.gain), axis=2)
    numbers = [] if level.plain else [tuple(each.tolist()) for each in (level.gain, level.offset, level.curve)]
    table = source.tone_tables(pixels.dtype.name, pixels.shape[2], *numbers)
    local = (at - (window.col, window.row)).astype(np.float32)
    factor = np.ones(at.shape[:2], np.float32) if level.plain else _shade(level, at)
    moved = resampled(pixels, table, local, factor, (box.height, box.width), soft=soft)
    if moved.shape[2] < plan.channels:
        moved = np.repeat(moved, plan.channels, axis=2)
    return Layer(moved, _valid(at, box, place, tile, source, window))


def misses(place: Placement, box: Box) -> bool:
    """True where a tile surely does not see all of a box: told by its nodes, before a pixel is read."""
    at, (h, w) = way_back(place, nodes(box))[1:-1, 1:-1], place.size
    return bool((at < -1.5).any() or (at > (w + 0.5, h + 0.5)).any())


def _window(at: NDArray[np.float64], size: tuple[int, int], margin: int) -> Box:
    low, high = np.floor(at.reshape(-1, 2).min(0)), np.ceil(at.reshape(-1, 2).max(0))
    box = spanning(int(low[1]), int(low[0]), int(high[1]) + 1, int(high[0]) + 1)
    return clipped(grown(box, margin), Box(0, 0, *size))


def _shade(level: Level, at: NDArray[np.float64]) -> Floats:
    """(rows, cols) factor of the level's shading at the nodes, from its lattice."""
    return np.exp(shade_at(level, at.reshape(-1, 2))).reshape(at.shape[:2]).astype(np.float32)


def _valid(at: NDArray[np.float64], box: Box, place: Placement, tile: Tile, source: Source, window: Box) -> Mask | None:
    """Where the tile truly has pixels (and, if it has alpha, opaque ones); None for everywhere."""
    h, w = place.size
    deep = (at > 1).all() and (at[..., 0] < w - 2).all() and (at[..., 1] < h - 2).all()
    if deep and not tile.raster.alpha and not place.barred:
        return None
    local = dense((at - (window.col, window.row)).astype(np.float32), box)
    x, y = local[..., 0] + np.float32(window.col), local[..., 1] + np.float32(window.row)
    valid: Mask = (x >= -0.5) & (x <= w - 0.5) & (y >= -0.5) & (y <= h - 0.5)
    if place.barred:
        valid &= ~is_barred(place, np.stack([x, y], axis=-1).astype(np.float64))
    alpha = source.alpha(tile, window) if tile.raster.alpha else None
    if alpha is not None:
        opaque = (alpha > np.iinfo(alpha.dtype).max / 2).astype(np.float32)
        near = cv2.remap(opaque, local, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        valid &= near > 0.99
    return valid
