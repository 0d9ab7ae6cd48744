"""I put the layers of one unit of the canvas together: whose pixel it is, and how neighbors blend into each other.

In: a plan, a way to read and a box. Out: linear light over the box, and where nothing is seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np

from stitchbed.blending.multiband import HALO, multiband_blend
from stitchbed.blending.partial_layers import blend_seen
from stitchbed.core.arrays import Floats, Mask
from stitchbed.imaging.box import Box, grown, meets
from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.compositing.tile_layer import Layer, Source, clean_layer, layer_of

Composed = tuple[Floats, Mask | None]


def composed(plan: Plan, source: Source, owners: Sequence[int], unit: Box, spots: Sequence[Spot]) -> Composed:
    """Light (h, w, c) over a unit several tiles may own, and where it is seen (None: everywhere)."""
    box = grown(unit, HALO)
    scores = _scores(plan, owners, box)
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


def _with_more(
    plan: Plan, source: Source, layers: dict[int, Layer], masks: dict[int, Mask], box: Box
) -> tuple[dict[int, Layer], dict[int, Mask]]:
    """Fill what no owner sees from any other tile that does (ragged rims of the whole)."""
    layers, masks = dict(layers), dict(masks)
    covered = np.any(list(masks.values()), axis=0) if masks else np.zeros((box.height, box.width), bool)
    for i, reached in enumerate(plan.footprints):
        if i in layers or covered.all() or not meets(reached, box):
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
    pictures = [layers[i].light for i in used]
    if all(layers[i].whole for i in used):
        return multiband_blend(pictures, [masks[i].astype(np.float32) for i in used])[inner], None
    owners = [masks[i] for i in used]
    light, covered = blend_seen(pictures, [layers[i].sight for i in used], owners)
    return light[inner], covered[inner]
