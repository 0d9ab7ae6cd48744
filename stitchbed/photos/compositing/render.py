"""I turn photos into the fronto-parallel result, one block at a time, each pixel resampled once in linear light.

In: a `FaceJob` and a box of the canvas. Out: stored pixels. The result does not depend on the blocks asked for. Where
several photos meet, they are blended by frequency bands, as scans are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.blending.multiband import HALO
from stitchbed.blending.partial_layers import blend_seen
from stitchbed.core.arrays import Array, Floats, Mask, Pixels
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, clipped, grown, spanning
from stitchbed.imaging.node_grid import NODE, dense, nodes
from stitchbed.imaging.resampling import kernel_reach, resampled_light, softness
from stitchbed.imaging.transfer import Transfer, to_linear, to_stored
from stitchbed.photos.compositing.glare import Shares
from stitchbed.photos.compositing.illumination import LightField, light_at
from stitchbed.photos.geometry.output_frame import Facing, inside_photo, plane_from_canvas
from stitchbed.photos.geometry.plane_pose import PlaneFit, photo_from_plane

UNIT = 256  # px; work is done in squares of this size on a fixed grid, so that windows stay small


@dataclass(frozen=True)
class FaceSource:
    """One photo. window : its stored pixels in a box. size : (height, width) px. number : in the plane fit.

    gain : (channels,) factor to the first photo's exposure. light : field to divide by, or None.
    """

    window: Callable[[Box], Pixels]
    size: tuple[int, int]
    transfer: Transfer
    number: int
    gain: Array
    light: LightField | None


@dataclass(frozen=True)
class FaceJob:
    """Everything rendering needs. height, width : px of the canvas. shares : None with one photo."""

    facing: Facing
    fit: PlaneFit
    dpi: float
    height: int
    width: int
    channels: int
    dtype: str
    sources: tuple[FaceSource, ...]
    shares: Shares | None


def render(job: FaceJob, box: Box) -> Pixels:
    """(h, w, channels) stored pixels of a canvas box whose origin is a multiple of UNIT."""
    whole = clipped(box, Box(0, 0, job.height, job.width))
    out = np.empty((whole.height, whole.width, job.channels), job.dtype)
    for row in range(whole.row, whole.bottom, UNIT):
        for col in range(whole.col, whole.right, UNIT):
            unit = clipped(Box(row, col, UNIT, UNIT), whole)
            light = _unit(job, Box(row, col, UNIT, UNIT))[: unit.height, : unit.width]
            stored = to_stored(light, job.dtype, job.sources[0].transfer)
            out[unit.row - whole.row : unit.bottom - whole.row, unit.col - whole.col : unit.right - whole.col] = stored
    return out


def corners_in_photo(job: FaceJob, source: FaceSource) -> Array:
    """(4, 2) px of a photo at the middles of the canvas's corner pixels, clockwise from the top left."""
    w, h = job.width - 0.5, job.height - 0.5
    mm = np.array([(0.5, 0.5), (w, 0.5), (w, h), (0.5, h)]) * (MM_PER_INCH / job.dpi)
    return photo_from_plane(job.fit, source.number, plane_from_canvas(job.facing, mm))


def _unit(job: FaceJob, unit: Box) -> Floats:
    """(UNIT, UNIT, channels) linear light."""
    if job.shares is None:
        return _seen(job, job.sources[0], unit)[0]
    box = grown(unit, HALO)
    owner = _owners(job.shares, box, job.dpi)
    used = np.unique(owner)
    if len(used) == 1:
        return _seen(job, job.sources[used[0]], unit)[0]
    layers, sights = zip(*[_seen(job, job.sources[index], box) for index in used], strict=True)
    light, _ = blend_seen(layers, sights, [owner == index for index in used])
    return light[HALO : HALO + unit.height, HALO : HALO + unit.width]


def _seen(job: FaceJob, source: FaceSource, box: Box) -> tuple[Floats, Mask]:
    """One photo over a box: resampled, evened out, balanced; and (h, w) where it sees."""
    mm = (nodes(box) + 0.5) * (MM_PER_INCH / job.dpi)
    at = photo_from_plane(job.fit, source.number, plane_from_canvas(job.facing, mm.reshape(-1, 2))).reshape(mm.shape)
    local = Box(0, 0, box.height, box.width)
    light = _resampled(source, at, (box.height, box.width))
    factor = np.broadcast_to(source.gain, (*mm.shape[:2], len(source.gain)))
    if source.light is not None:
        factor = factor / light_at(source.light, mm.reshape(-1, 2)).reshape(*mm.shape[:2], -1)
    evened = light * dense(factor.astype(np.float32), local).reshape(*light.shape[:2], -1)
    places = dense(at.astype(np.float32), local).reshape(-1, 2).astype(np.float64)
    return evened, inside_photo(places, source.size).reshape(light.shape[:2])


def _resampled(source: FaceSource, at: Array, size: tuple[int, int]) -> Floats:
    """Linear light (*size, channels) over a box; a photo finer than the canvas is softened to the canvas's fineness."""
    soft = softness(float(np.linalg.norm(at[1:, 1:] - at[:-1, :-1], axis=-1).max() / np.sqrt(2) / NODE))
    low, high = np.floor(at.reshape(-1, 2).min(0)), np.ceil(at.reshape(-1, 2).max(0))
    wanted = spanning(int(low[1]), int(low[0]), int(high[1]) + 1, int(high[0]) + 1)
    window = clipped(grown(wanted, kernel_reach(soft)), Box(0, 0, *source.size))
    if window.empty:
        middle = np.clip((low + high) / 2, 0, np.array(source.size)[::-1] - 1).astype(int)
        window = Box(int(middle[1]), int(middle[0]), 1, 1)
    light = to_linear(source.window(window), source.transfer)
    light = light.reshape(window.height, window.width, -1)
    local = (at - [window.col, window.row]).astype(np.float32)
    seen = resampled_light(light, local, np.ones(at.shape[:2], np.float32), size, soft=soft)
    # the kernel swings over beside lines: white paper would be cut off
    return np.minimum(seen, light.max(axis=(0, 1)))


def _owners(shares: Shares, box: Box, dpi: float) -> NDArray[np.intp]:
    """(h, w) which photo each pixel of a box is taken from: borders of cells made smooth."""
    cells = MM_PER_INCH / dpi * shares.density
    first = (np.array([box.col, box.row]) + 0.5) * cells - 0.5
    to_cell = np.array([[cells, 0, first[0]], [0, cells, first[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (box.width, box.height)
    scores = [
        cv2.warpAffine(mine, to_cell, size, flags=flags, borderMode=cv2.BORDER_REPLICATE) for mine in shares.weights
    ]
    return np.argmax(scores, axis=0)
