"""I turn a plan and the originals into finished blocks, one at a time.

In: a `Plan`, a way to read windows, a box of the canvas. Out: stored pixels with alpha.

Work is done in units of `UNIT` px on a fixed grid, whatever the size of the blocks asked for, so that block size,
order and threads cannot change a single value. Each pixel is resampled once, in linear light.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import cv2
import numpy as np

from stitchbed.blending.multiband import HALO
from stitchbed.core.arrays import Floats, Mask, Pixels
from stitchbed.imaging.box import Box, clipped, grown, meets, shifted
from stitchbed.imaging.depth import at_depth
from stitchbed.imaging.transfer import to_stored
from stitchbed.mosaic.compositing.compose import composed
from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.compositing.seams import NOBODY
from stitchbed.mosaic.compositing.tile_layer import Source, clean_layer, misses, spots_near
from stitchbed.mosaic.compositing.unit_parts import cells_near, unit_parts
from stitchbed.mosaic.registration.canvas import whole_shift

UNIT = 512
MOST_SPECK_PX = 64  # a speck's surroundings that are looked at with it


def render_block(plan: Plan, source: Source, box: Box) -> Pixels:
    """Stored pixels (h, w, channels[+1]) of a canvas box whose origin is a multiple of UNIT; clipped to the canvas."""
    bounds = Box(0, 0, plan.canvas.height, plan.canvas.width)
    whole = clipped(box, bounds)
    samples = plan.channels + plan.alpha
    spots = spots_near(plan, grown(whole, UNIT))
    result = np.zeros((whole.height, whole.width, samples), plan.dtype)
    for row in range(whole.row, whole.bottom, UNIT):
        for col in range(whole.col, whole.right, UNIT):
            unit = Box(row, col, UNIT, UNIT)
            seen = clipped(unit, whole)
            at = shifted(seen, -whole.row, -whole.col)
            result[at.slices] = _unit(plan, source, unit, spots)[: seen.height, : seen.width]
    return result


def block_mark(plan: Plan, pieces: Sequence[bytes], box: Box) -> str:
    """What of a plan the pixels of a box depend on, as one word: who owns it and its surroundings, the places and
    levels of all pieces that reach it, specks near it. pieces : `piece_marks` of the plan."""
    around, cell = grown(box, HALO + cell_room(plan)), plan.seams.cell
    rows = slice(max(0, around.row // cell), max(0, -(-around.bottom // cell)))
    cols = slice(max(0, around.col // cell), max(0, -(-around.right // cell)))
    content = hashlib.sha256(np.ascontiguousarray(plan.seams.labels[rows, cols]).tobytes())
    spots = spots_near(plan, around)
    near = {i for i, reached in enumerate(plan.footprints) if meets(reached, around)}
    for i in sorted(near | {spot.clean_in for spot in spots} | {spot.seen_in for spot in spots}):
        content.update(f"{i}".encode() + pieces[i])
    content.update(repr(spots).encode())
    return content.hexdigest()[:32]


def cell_room(plan: Plan) -> int:
    """px round a box within which seams and specks may change it."""
    return 4 * plan.seams.cell + MOST_SPECK_PX


def _unit(plan: Plan, source: Source, unit: Box, spots: Sequence[Spot]) -> Pixels:
    bounds = Box(0, 0, plan.canvas.height, plan.canvas.width)
    parts = [box for box in unit_parts(plan.seams, unit) if meets(box, bounds)]
    if parts == [unit]:
        return _part(plan, source, unit, spots)
    result = np.zeros((unit.height, unit.width, plan.channels + plan.alpha), plan.dtype)
    for box in parts:
        result[shifted(box, -unit.row, -unit.col).slices] = _part(plan, source, box, spots)
    return result


def _part(plan: Plan, source: Source, part: Box, spots: Sequence[Spot]) -> Pixels:
    owners = [int(i) for i in np.unique(cells_near(plan.seams, grown(part, HALO))) if i != NOBODY]
    if len(owners) == 1:
        alone = _alone(plan, source, owners[0], part, spots)
        if alone is not None:
            return alone
    return _uncovered(plan, source, *composed(plan, source, owners, part, spots))


def _alone(plan: Plan, source: Source, index: int, part: Box, spots: Sequence[Spot]) -> Pixels | None:
    """A part that one tile fills or sees alone: no seam, and, when the tile is not even moved, no resampling either."""
    place, level, tile = plan.places[index], plan.levels[index], plan.tiles[index]
    shift = whole_shift(place)
    if shift is not None and level.plain and not tile.raster.alpha and not place.barred:
        window = shifted(part, -shift[0], -shift[1])
        inside = clipped(window, Box(0, 0, *place.size))
        needed = clipped(part, Box(0, 0, plan.canvas.height, plan.canvas.width))
        if inside != shifted(needed, -shift[0], -shift[1]):
            return None
        pixels = _promoted(source.window(tile, inside), plan)
        return _opaque(plan, pixels, (inside, window))
    shared = _shared(plan, index, part)
    if shared and misses(place, part):
        return None
    layer = clean_layer(plan, source, index, part, spots)
    if layer.whole:
        return _with_alpha(plan, to_stored(layer.light, plan.dtype, source.transfer), None)
    return None if shared else _uncovered(plan, source, layer.light, layer.sight)


def _shared(plan: Plan, index: int, part: Box) -> bool:
    """True where another tile may reach a part or its surroundings, and could show what tile `index` does not see."""
    near = grown(part, HALO)
    return any(i != index and meets(reached, near) for i, reached in enumerate(plan.footprints))


def _promoted(pixels: Pixels, plan: Plan) -> Pixels:
    """Depth and channels of the master: 8 to 16 bits by 257, gray to RGB."""
    if pixels.dtype != plan.dtype:
        pixels = at_depth(pixels, plan.dtype)
    return np.repeat(pixels, 3, axis=2) if pixels.shape[2] < plan.channels else pixels


def _opaque(plan: Plan, pixels: Pixels, boxes: tuple[Box, Box]) -> Pixels:
    """Pixels of the inside box, put into the window; the rest is uncovered."""
    inside, window = boxes
    covered = np.zeros((window.height, window.width), bool)
    full = np.zeros((window.height, window.width, plan.channels), plan.dtype)
    at = shifted(inside, -window.row, -window.col)
    covered[at.slices], full[at.slices] = True, pixels
    return _with_alpha(plan, full, None if covered.all() else covered)


def _with_alpha(plan: Plan, stored: Pixels, covered: Mask | None) -> Pixels:
    if not plan.alpha:
        return stored
    top = np.iinfo(plan.dtype).max
    if plan.channels == 3:
        # opaque; many times quicker than putting arrays together
        full: Pixels = cv2.cvtColor(stored, cv2.COLOR_RGB2RGBA)
        if covered is not None:
            full[~covered] = 0
        return full
    alpha = np.full((*stored.shape[:2], 1), top, plan.dtype)
    if covered is not None:
        alpha[~covered] = 0
        stored = np.where(covered[..., None], stored, 0).astype(plan.dtype)
    return np.concatenate([stored, alpha], axis=2)


def _uncovered(plan: Plan, source: Source, light: Floats, covered: Mask | None) -> Pixels:
    """Stored pixels; where nothing is seen, paper or transparency."""
    holes = covered is not None and not covered.all()
    if covered is not None and holes and not plan.alpha:
        light = np.where(covered[..., None], light, np.asarray(plan.paper, np.float32))
    stored = to_stored(np.ascontiguousarray(light), plan.dtype, source.transfer)
    return _with_alpha(plan, stored, covered if holes else None)
