"""I turn a plan and the originals into finished blocks, one at a time.

In: a `Plan`, a way to read windows, a box of the canvas. Out: stored pixels with alpha.

Work is done in units of `UNIT` px on a fixed grid, whatever the size of the blocks asked for, so that block size,
order and threads cannot change a single value. Each pixel is resampled once, in linear light.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.ground.box import Box, clipped, grown, meets, shifted, spanning
from stitchbed.ground.light import Transfer, to_linear, to_stored
from stitchbed.joining.blending import HALO, blend
from stitchbed.joining.canvas import NODE, dense, footprint, nodes, way_back, whole_shift
from stitchbed.joining.levels import Level
from stitchbed.joining.patches import sample
from stitchbed.joining.plan import Plan, Spot
from stitchbed.joining.seams import NOBODY
from stitchbed.placing.placement import Placement
from stitchbed.scans.tile import Tile

Floats = NDArray[np.float32]
Pixels = NDArray[Any]
Mask = NDArray[np.bool_]
ReadWindow = Callable[[Tile, Box], Pixels]
UNIT = 512
MARGIN = 4  # px of source round what is needed, for the cubic kernel


@dataclass(frozen=True)
class Source:
    """Where rendering reads: color and alpha windows of originals, and their tone curve."""

    window: ReadWindow
    alpha: Callable[[Tile, Box], Pixels | None]
    transfer: Transfer


@dataclass(frozen=True)
class _Layer:
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


def render_block(plan: Plan, source: Source, box: Box) -> Pixels:
    """Stored pixels (h, w, channels[+1]) of a canvas box whose origin is a multiple of UNIT; clipped to the canvas."""
    bounds = Box(0, 0, plan.canvas.height, plan.canvas.width)
    whole = clipped(box, bounds)
    samples = plan.channels + plan.alpha
    result = np.zeros((whole.height, whole.width, samples), plan.dtype)
    for row in range(whole.row, whole.bottom, UNIT):
        for col in range(whole.col, whole.right, UNIT):
            unit = Box(row, col, UNIT, UNIT)
            seen = clipped(unit, whole)
            at = shifted(seen, -whole.row, -whole.col)
            result[at.slices] = _unit(plan, source, unit)[: seen.height, : seen.width]
    return result


def _unit(plan: Plan, source: Source, unit: Box) -> Pixels:
    owners = _owners(plan, grown(unit, HALO))
    if len(owners) == 1:
        alone = _alone(plan, source, owners[0], unit)
        if alone is not None:
            return alone
    layers = {i: _clean(plan, source, i, grown(unit, HALO)) for i in owners}
    masks = _shares(plan, layers, grown(unit, HALO))
    if not any(layer.whole for layer in layers.values()):
        layers, masks = _with_more(plan, source, layers, masks, grown(unit, HALO))
    return _finished(plan, source, layers, masks, unit)


def _owners(plan: Plan, box: Box) -> list[int]:
    """Tiles that own a cell in or next to the box."""
    cell, labels = plan.seams.cell, plan.seams.labels
    rows = slice(max(0, box.row // cell - 1), max(0, -(-box.bottom // cell) + 1))
    cols = slice(max(0, box.col // cell - 1), max(0, -(-box.right // cell) + 1))
    found = np.unique(labels[rows, cols])
    return [int(i) for i in found if i != NOBODY]


def _alone(plan: Plan, source: Source, index: int, unit: Box) -> Pixels | None:
    """A unit that one tile fills: no seam, and, when the tile is not even moved, no resampling either."""
    place, level, tile = plan.places[index], plan.levels[index], plan.tiles[index]
    shift = whole_shift(place)
    if shift is not None and level.plain and not tile.raster.alpha:
        window = shifted(unit, -shift[0], -shift[1])
        inside = clipped(window, Box(0, 0, *place.size))
        needed = clipped(unit, Box(0, 0, plan.canvas.height, plan.canvas.width))
        if inside != shifted(needed, -shift[0], -shift[1]):
            return None
        pixels = _promoted(source.window(tile, inside), plan)
        return _opaque(plan, pixels, (inside, window))
    layer = _clean(plan, source, index, unit)
    if not layer.whole:
        return None
    return _with_alpha(plan, to_stored(layer.light, plan.dtype, source.transfer), None)


def _clean(plan: Plan, source: Source, index: int, box: Box) -> _Layer:
    """One tile over a box, its specks taken from tiles that see their places clean."""
    layer = _layer(plan, source, index, box)
    for spot in plan.spots:
        if spot.seen_in == index and _touches(spot, box):
            _mend(layer.light, plan, source, spot, box)
    return layer


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
    mine, other = _layer(plan, source, spot.seen_in, around), _layer(plan, source, spot.clean_in, around)
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


def _promoted(pixels: Pixels, plan: Plan) -> Pixels:
    """Depth and channels of the master: 8 to 16 bits by 257, gray to RGB."""
    if pixels.dtype != plan.dtype:
        pixels = pixels.astype(np.uint16) * 257 if plan.dtype == "uint16" else (pixels // 257).astype(np.uint8)
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
    alpha = np.full((*stored.shape[:2], 1), top, plan.dtype)
    if covered is not None:
        alpha[~covered] = 0
        stored = np.where(covered[..., None], stored, 0).astype(plan.dtype)
    return np.concatenate([stored, alpha], axis=2)


def _layer(plan: Plan, source: Source, index: int, box: Box) -> _Layer:
    """One tile resampled and leveled over a box (origin and size multiples of NODE)."""
    place, tile, level = plan.places[index], plan.tiles[index], plan.levels[index]
    at = way_back(place, nodes(box))
    window = _window(at, place.size)
    if window.empty:
        blank = np.zeros((box.height, box.width, plan.channels), np.float32)
        return _Layer(blank, np.zeros(blank.shape[:2], bool))
    pixels = source.window(tile, window)
    if not level.plain and pixels.shape[2] < len(level.gain):  # a gray piece among colored ones has a gain per color
        pixels = np.repeat(pixels, len(level.gain), axis=2)
    light = to_linear(pixels, source.transfer, *((level.gain, level.offset) if not level.plain else ()))
    local = dense((at - (window.col, window.row)).astype(np.float32), box)
    moved = cv2.remap(light, _aimed(local), None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    moved = moved.reshape(box.height, box.width, light.shape[2])
    if not level.plain:
        moved *= _shade(level, at, box)
    if moved.shape[2] < plan.channels:
        moved = np.repeat(moved, plan.channels, axis=2)
    return _Layer(moved, _valid(at, local, place, tile, source, window))


def _aimed(local: Floats) -> Floats:
    """Positions (h, w, 2) px to ask OpenCV's cubic kernel for, so that it looks where `local` says.

    Its a is -.75; only a = -.5 keeps a ramp in place (Keys, 1981, doi 10.1109/TASSP.1981.1163711). It moves smooth
    content by f (1 - f) (1 - 2 f) / 2 px, f being the part of a pixel: .047 px at a quarter, fine detail somewhat less.
    With four fifths of that taken off, under .01 px is left, as with a Lanczos kernel of five times the cost.
    """
    part = local - np.floor(local)
    rest = part - np.float32(0.5)
    part *= rest
    part *= rest - np.float32(0.5)
    part *= np.float32(-0.8)
    part += local
    return part


def _window(at: NDArray[np.float64], size: tuple[int, int]) -> Box:
    low, high = np.floor(at.reshape(-1, 2).min(0)), np.ceil(at.reshape(-1, 2).max(0))
    box = spanning(int(low[1]), int(low[0]), int(high[1]) + 1, int(high[0]) + 1)
    return clipped(grown(box, MARGIN), Box(0, 0, *size))


def _shade(level: Level, at: NDArray[np.float64], box: Box) -> Floats:
    """(h, w, 1) factor of the level's shading, from its lattice at the nodes."""
    shade = sample(level.shading[..., None], at.reshape(-1, 2) + 0.5 * (level.spacing - 1), level.spacing)
    factor = np.exp(shade).reshape(at.shape[:2])
    return dense(factor.astype(np.float32), box)[..., None]


def _valid(
    at: NDArray[np.float64], local: Floats, place: Placement, tile: Tile, source: Source, window: Box
) -> Mask | None:
    """Where the tile truly has pixels (and, if it has alpha, opaque ones); None for everywhere."""
    h, w = place.size
    deep = (at > 1).all() and (at[..., 0] < w - 2).all() and (at[..., 1] < h - 2).all()
    if deep and not tile.raster.alpha:
        return None
    x, y = local[..., 0] + np.float32(window.col), local[..., 1] + np.float32(window.row)
    valid: Mask = (x >= -0.5) & (x <= w - 0.5) & (y >= -0.5) & (y <= h - 0.5)
    alpha = source.alpha(tile, window) if tile.raster.alpha else None
    if alpha is not None:
        opaque = (alpha > np.iinfo(alpha.dtype).max / 2).astype(np.float32)
        near = cv2.remap(opaque, local, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        valid &= near > 0.99
    return valid


def _shares(plan: Plan, layers: dict[int, _Layer], box: Box) -> dict[int, Mask]:
    """Which pixel is whose: cell labels with smooth borders, only where the owner truly sees."""
    if not layers:
        return {}
    cell, labels = plan.seams.cell, plan.seams.labels
    row0, col0 = box.row // cell - 2, box.col // cell - 2
    rows, cols = -(-box.height // cell) + 5, -(-box.width // cell) + 5
    picked = labels[np.clip(np.arange(row0, row0 + rows), 0, labels.shape[0] - 1)]
    picked = picked[:, np.clip(np.arange(col0, col0 + cols), 0, labels.shape[1] - 1)]
    offset = ((box.col + 0.5) / cell - 0.5 - col0, (box.row + 0.5) / cell - 0.5 - row0)
    to_cell = np.array([[1 / cell, 0, offset[0]], [0, 1 / cell, offset[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    scores = []
    for i, layer in layers.items():
        mine = cv2.warpAffine(
            (picked == i).astype(np.float32),
            to_cell,
            (box.width, box.height),
            flags=flags,
            borderMode=cv2.BORDER_REPLICATE,
        )
        scores.append(mine if layer.valid is None else np.where(layer.valid, mine, np.float32(-1)))
    return _winners(list(layers), scores, layers)


def _winners(order: Sequence[int], scores: Sequence[Floats], layers: dict[int, _Layer]) -> dict[int, Mask]:
    """Per layer where its score is the highest (the first wins a tie) and it sees."""
    best = scores[0]
    for score in scores[1:]:
        best = np.maximum(best, score)
    taken = np.zeros(best.shape, bool)
    masks = {}
    for i, score in zip(order, scores, strict=True):
        mine = (score == best) & ~taken
        taken |= mine
        valid = layers[i].valid
        masks[i] = mine if valid is None else mine & valid
    return masks


def _with_more(
    plan: Plan, source: Source, layers: dict[int, _Layer], masks: dict[int, Mask], box: Box
) -> tuple[dict[int, _Layer], dict[int, Mask]]:
    """Fill what no owner sees from any other tile that does (ragged rims of the whole)."""
    layers, masks = dict(layers), dict(masks)
    bounds = Box(0, 0, plan.canvas.height, plan.canvas.width)
    covered = np.any(list(masks.values()), axis=0) if masks else np.zeros((box.height, box.width), bool)
    for i, place in enumerate(plan.places):
        if i in layers or covered.all() or not meets(footprint(place, bounds), box):
            continue
        layer = _layer(plan, source, i, box)
        fresh = layer.sight & ~covered
        if fresh.any():
            layers[i], masks[i] = layer, fresh
            covered = covered | fresh
    return layers, masks


def _finished(plan: Plan, source: Source, layers: dict[int, _Layer], masks: dict[int, Mask], unit: Box) -> Pixels:
    inner = (slice(HALO, HALO + unit.height), slice(HALO, HALO + unit.width))
    used = [i for i in layers if masks[i].any()]
    if not used:
        nothing = np.zeros((unit.height, unit.width, plan.channels), np.float32)
        return _uncovered(plan, source, nothing, np.zeros(nothing.shape[:2], bool))
    owners = [masks[i].astype(np.float32) for i in used]
    pictures = [layers[i].light for i in used]
    if all(layers[i].whole for i in used):
        return _uncovered(plan, source, blend(pictures, owners)[inner], None)
    covered = np.any([masks[i] for i in used], axis=0)
    composite = pictures[0].copy()
    for picture, i in zip(pictures[1:], used[1:], strict=True):
        np.copyto(composite, picture, where=masks[i][..., None])
    # where a layer does not see, it takes the others' picture, so that bands do not pull its replicated rim in
    filled = [np.where(layers[i].sight[..., None], p, composite) for i, p in zip(used, pictures, strict=True)]
    owners[0] = owners[0] + (~covered).astype(np.float32)
    return _uncovered(plan, source, blend(filled, owners)[inner], covered[inner])


def _uncovered(plan: Plan, source: Source, light: Floats, covered: Mask | None) -> Pixels:
    """Stored pixels; where nothing is seen, paper or transparency."""
    holes = covered is not None and not covered.all()
    if covered is not None and holes and not plan.alpha:
        light = np.where(covered[..., None], light, np.asarray(plan.paper, np.float32))
    stored = to_stored(np.ascontiguousarray(light), plan.dtype, source.transfer)
    return _with_alpha(plan, stored, covered if holes else None)
