"""I put the layers of one unit of the canvas together: whose pixel it is, and how neighbors blend into each other.

In: a plan, a way to read and a box. Out: linear light over the box, and where nothing is seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np

from stitchbed.core.arrays import Floats, Mask
from stitchbed.imaging.box import Box, clipped, grown, meets, shifted, spanning
from stitchbed.imaging.node_grid import NODE
from stitchbed.mosaic.compositing.multiband_blending import HALO, blend, multiband_blend
from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.compositing.tile_layer import Layer, Source, clean_layer, layer_of
from stitchbed.mosaic.registration.canvas import footprint

Composed = tuple[Floats, Mask | None]


def composed(plan: Plan, source: Source, owners: Sequence[int], unit: Box, spots: Sequence[Spot]) -> Composed:
    """Light (h, w, c) over a unit several tiles may own, and where it is seen (None: everywhere)."""
    box = grown(unit, HALO)
    scores = _scores(plan, owners, box)
    quick = _of_two(plan, source, scores, unit, spots) if len(owners) == 2 else None
    if quick is not None:
        return quick, None
    layers = {i: clean_layer(plan, source, i, box, spots) for i in owners}
    masks = _winners(scores, layers)
    if not any(layer.whole for layer in layers.values()):
        layers, masks = _with_more(plan, source, layers, masks, box)
    return _finished(plan, layers, masks, unit)


def _scores(plan: Plan, owners: Sequence[int], box: Box) -> dict[int, Floats]:
    """Per tile how much (0..1) the cells round each pixel are its own: bilinear, so that borders are smooth."""
    cell, labels = plan.seams.cell, plan.seams.labels
    row0, col0 = box.row // cell - 2, box.col // cell - 2
    rows, cols = -(-box.height // cell) + 5, -(-box.width // cell) + 5
    picked = labels[np.clip(np.arange(row0, row0 + rows), 0, labels.shape[0] - 1)]
    picked = picked[:, np.clip(np.arange(col0, col0 + cols), 0, labels.shape[1] - 1)]
    offset = ((box.col + 0.5) / cell - 0.5 - col0, (box.row + 0.5) / cell - 0.5 - row0)
    to_cell = np.array([[1 / cell, 0, offset[0]], [0, 1 / cell, offset[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (box.width, box.height)
    return {
        i: cv2.warpAffine((picked == i).astype(np.float32), to_cell, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        for i in owners
    }


def _winners(scores: Mapping[int, Floats], layers: Mapping[int, Layer]) -> dict[int, Mask]:
    """Per layer where its score is the highest (the first wins a tie) and it sees."""
    if not scores:
        return {}
    seen = {
        i: score if layers[i].valid is None else np.where(layers[i].sight, score, np.float32(-1))
        for i, score in scores.items()
    }
    best = np.maximum.reduce(list(seen.values()))
    taken = np.zeros(best.shape, bool)
    masks = {}
    for i, score in seen.items():
        mine = (score == best) & ~taken
        taken |= mine
        masks[i] = mine & layers[i].sight if layers[i].valid is not None else mine
    return masks


def _of_two(
    plan: Plan, source: Source, scores: Mapping[int, Floats], unit: Box, spots: Sequence[Spot]
) -> Floats | None:
    """The commonest case, cheaply: two tiles, each resampled only where it matters and seeing all of its own.

    None when it is not that case.
    """
    box = grown(unit, HALO)
    (first, ours), (second, theirs) = scores.items()
    owned = ours >= theirs
    if not (ours + theirs > 0).all():
        return None
    parts = {}
    for index, mine in ((first, owned), (second, ~owned)):
        around = _reached(mine, box)
        if around is None:
            continue
        layer = clean_layer(plan, source, index, around, spots)
        here = shifted(around, -box.row, -box.col).slices
        if layer.valid is not None and not (layer.valid | ~mine[here]).all():
            return None
        parts[index] = (around, layer)
    light = np.empty((box.height, box.width, plan.channels), np.float32)
    for index in (second, first):
        if index in parts:
            light[shifted(parts[index][0], -box.row, -box.col).slices] = parts[index][1].light
    if len(parts) == 2:
        _blend_into(light, (parts[first], parts[second]), owned, box)
    inner = (slice(HALO, HALO + unit.height), slice(HALO, HALO + unit.width))
    return light[inner]


def _reached(mine: Mask, box: Box) -> Box | None:
    """The part of `box` a tile that owns `mine` of it has a say in; None when it owns nothing there."""
    rows, cols = np.flatnonzero(mine.any(1)), np.flatnonzero(mine.any(0))
    if not len(rows):
        return None
    grid = NODE * np.array([rows[0] // NODE, cols[0] // NODE, rows[-1] // NODE + 1, cols[-1] // NODE + 1])
    top, left, foot, right = (int(n) for n in grid)
    return clipped(grown(shifted(spanning(top, left, foot, right), box.row, box.col), HALO), box)


def _blend_into(light: Floats, parts: tuple[tuple[Box, Layer], tuple[Box, Layer]], owned: Mask, box: Box) -> None:
    """Melt the first layer into the second one where both have a say; elsewhere `light` is right already."""
    (around, layer), (around_two, layer_two) = parts
    common = clipped(around, around_two)
    if common.empty:
        return
    one = shifted(common, -around.row, -around.col).slices
    two = shifted(common, -around_two.row, -around_two.col).slices
    more = layer.light[one] - layer_two.light[two]
    for valid, at in ((layer.valid, one), (layer_two.valid, two)):
        if valid is not None:
            more[~valid[at]] = 0  # where one does not see, it takes the other's picture
    here = shifted(common, -box.row, -box.col).slices
    base = (
        np.where(layer_two.sight[two][..., None], layer_two.light[two], layer.light[one])
        if (layer_two.valid is not None)
        else layer_two.light[two]
    )
    light[here] = base + multiband_blend(more, owned[here].astype(np.float32))


def _with_more(
    plan: Plan, source: Source, layers: dict[int, Layer], masks: dict[int, Mask], box: Box
) -> tuple[dict[int, Layer], dict[int, Mask]]:
    """Fill what no owner sees from any other tile that does (ragged rims of the whole)."""
    layers, masks = dict(layers), dict(masks)
    bounds = Box(0, 0, plan.canvas.height, plan.canvas.width)
    covered = np.any(list(masks.values()), axis=0) if masks else np.zeros((box.height, box.width), bool)
    for i, place in enumerate(plan.places):
        if i in layers or covered.all() or not meets(footprint(place, bounds), box):
            continue
        layer = layer_of(plan, source, i, box)
        fresh = layer.sight & ~covered
        if fresh.any():
            layers[i], masks[i] = layer, fresh
            covered = covered | fresh
    return layers, masks


def _finished(plan: Plan, layers: dict[int, Layer], masks: dict[int, Mask], unit: Box) -> Composed:
    inner = (slice(HALO, HALO + unit.height), slice(HALO, HALO + unit.width))
    used = [i for i in layers if masks[i].any()]
    if not used:
        nothing = np.zeros((unit.height, unit.width, plan.channels), np.float32)
        return nothing, np.zeros(nothing.shape[:2], bool)
    owners = [masks[i].astype(np.float32) for i in used]
    pictures = [layers[i].light for i in used]
    if all(layers[i].whole for i in used):
        return blend(pictures, owners)[inner], None
    covered = np.any([masks[i] for i in used], axis=0)
    composite = pictures[0].copy()
    for picture, i in zip(pictures[1:], used[1:], strict=True):
        np.copyto(composite, picture, where=masks[i][..., None])
    # where a layer does not see, it takes the others' picture, so that bands do not pull its replicated rim in
    filled = [np.where(layers[i].sight[..., None], p, composite) for i, p in zip(used, pictures, strict=True)]
    owners[0] = owners[0] + (~covered).astype(np.float32)
    return blend(filled, owners)[inner], covered[inner]
