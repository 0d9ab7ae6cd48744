"""I look at one scan the quick way: once small and whole, and through a few dozen windows at full resolution.

In: open windows of a picture. Out: a `Look` of a few megabytes with everything that is judged later.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.transfer import Transfer, to_linear
from stitchbed.inspection import quality
from stitchbed.inspection.sensor.whole import Sensed, sensed
from stitchbed.reading.base.tile import Raster

VIEW_SIDE = 1400  # px of the whole view's long side: a 0.3 mm line of an A4 piece is still seen
LIGHT_SIDE = 320  # px of the map of light; about 1 mm on an A4 piece
DETAIL_PARTS = (6, 4)  # parts of the bed, each of which gives its most detailed window: sharpness across the bed
CALM_PARTS = (6, 5)


class PictureWindows(Protocol):
    """What is read: see `reading.formats`."""

    raster: Raster

    def window(self, box: Box) -> NDArray[Any]:
        """(h, w, channels) stored pixels."""
        ...

    def view(self, reduction: int) -> NDArray[Any]:
        """(h, w, channels) area-reduced whole picture."""
        ...


@dataclass(frozen=True)
class Sharpness:
    """What was measured where: middle (x, y) px of a window, its `edge_ratio`."""

    x: float
    y: float
    ratio: float


@dataclass(frozen=True)
class Glance:
    """What pairs are compared by. reduction : of `gray` (h, w) levels 0..255 from full size. light : (h, w, 3) linear
    0..1, `light_cell` px a cell.
    """

    shape: tuple[int, int]
    reduction: int
    gray: NDArray[np.uint8]
    light: Floats
    light_cell: float


@dataclass(frozen=True)
class Look(Glance):
    """sharpness : of the windows with edges. noise : gray levels of 255. sure_noise : what of it is no trace of a
    printed screen. black, white : clipped shares.
    bands_calm, bands_detail : see `quality.noise_bands`, the less noisy axis. blocks, traces : see `quality`.
    windows : how many windows' worth of different pixels the traces come from. sensed : see `sensor`.
    """

    sharpness: tuple[Sharpness, ...]
    noise: float
    sure_noise: float
    black: float
    white: float
    bands_calm: NDArray[np.float64]
    bands_detail: NDArray[np.float64]
    blocks: float
    traces: tuple[quality.Trace, ...]
    windows: float
    sensed: Sensed


def look_at(windows: PictureWindows, transfer: Transfer) -> Look:
    """Look at one picture."""
    rows, cols, _ = windows.raster.shape
    reduction = view_reduction((rows, cols))
    view = windows.view(reduction)
    gray = gray_of(view)
    detail, calm = (_read(windows, _boxes(gray, reduction, (rows, cols), calm=calm)) for calm in (False, True))
    grays = [gray_of(pixels) for _, pixels in detail]
    bands = _bands([_green(pixels) for _, pixels in calm])
    noise, sure_noise = quality.calm_noise([gray_of(pixels) for _, pixels in calm])
    noise = min(noise, float(np.sqrt(bands.min())))  # it is in every band, the dots of a printed screen are not
    ends = np.mean([quality.clipped(pixels) for _, pixels in detail], axis=0)
    greens = [_green(pixels) for _, pixels in detail]
    light, cell = _light(view, reduction, transfer)
    return Look(
        (rows, cols),
        reduction,
        np.rint(gray).astype(np.uint8),
        light,
        cell,
        tuple(_sharpness([box for box, _ in detail], grays, noise)),
        noise,
        min(noise, sure_noise),
        float(ends[0]),
        float(ends[1]),
        bands,
        _bands(greens),
        quality.block_trace(greens).strength,
        tuple(quality.resampling_traces(greens, [(box.row, box.col) for box, _ in detail])[:12]),
        min(float(len(greens)), rows * cols / greens[0].size),
        sensed(gray, reduction, [pixels for _, pixels in (*detail, *calm)], windows.raster.bits),
    )


def view_reduction(shape: tuple[int, ...]) -> int:
    """Of the view of a picture (rows, cols, ...)."""
    return max(1, round(max(shape[:2]) / VIEW_SIDE))


def glance_at(view: NDArray[Any], shape: tuple[int, int], transfer: Transfer) -> Glance:
    """What pairs are compared by, of a picture (rows, cols) from its view."""
    reduction = view_reduction(shape)
    light, cell = _light(view, reduction, transfer)
    return Glance(shape, reduction, np.rint(gray_of(view)).astype(np.uint8), light, cell)


def detail_boxes(glance: Glance, *, calm: bool) -> list[Box]:
    """Windows of a picture with most contrast in each part of it, or with least (`calm`), in file order."""
    return sorted(_boxes(glance.gray.astype(np.float32), glance.reduction, glance.shape, calm=calm))


def sharpness_in(windows: Sequence[NDArray[Any]], noise: float) -> list[float]:
    """Edge ratios of the windows (h, w, c) that have edges."""
    measured = [quality.edge_ratio(gray_of(pixels), noise) for pixels in windows]
    return [one[0] for one in measured if one]


def _boxes(gray: Floats, reduction: int, shape: tuple[int, int], *, calm: bool) -> list[Box]:
    cell = (quality.CALM if calm else quality.WINDOW / 2) / reduction
    contrast = quality.cell_contrast(gray, max(2.0, cell))
    inner = contrast[1:-1, 1:-1] if min(contrast.shape) > 6 else contrast
    padded = np.pad(inner, (contrast.shape[0] - inner.shape[0]) // 2, constant_values=np.inf if calm else -np.inf)
    return quality.window_boxes(padded, shape, count=CALM_PARTS if calm else DETAIL_PARTS, calm=calm)


def _read(windows: PictureWindows, boxes: Sequence[Box]) -> list[tuple[Box, NDArray[Any]]]:
    """In file order, so that nothing is decoded twice."""
    return [(box, windows.window(box)) for box in sorted(boxes)]


def _green(pixels: NDArray[Any]) -> Floats:
    """One channel as stored, 0..255: mixing channels would hide the floor of rounding."""
    scale = np.float32(255.0 / np.iinfo(pixels.dtype).max)
    return pixels[..., min(1, pixels.shape[2] - 1)].astype(np.float32) * scale


def _bands(windows: Sequence[Floats]) -> NDArray[np.float64]:
    along, down = (quality.noise_bands(windows, axis) for axis in (1, 0))
    return along if along[-5:].mean() < down[-5:].mean() else down


def _sharpness(boxes: Sequence[Box], grays: Sequence[Floats], noise: float) -> list[Sharpness]:
    found = []
    for box, gray in zip(boxes, grays, strict=True):
        measured = quality.edge_ratio(gray, noise)
        if measured:
            found.append(Sharpness(box.col + box.width / 2, box.row + box.height / 2, measured[0]))
    return found


def _light(view: NDArray[Any], reduction: int, transfer: Transfer) -> tuple[Floats, float]:
    times = max(1, round(max(view.shape[:2]) / LIGHT_SIDE))
    rows, cols = view.shape[0] // times * times, view.shape[1] // times * times
    linear = to_linear(np.ascontiguousarray(view[:rows, :cols]), transfer)
    small = cv2.resize(linear, (cols // times, rows // times), interpolation=cv2.INTER_AREA)
    small = small.reshape(rows // times, cols // times, -1)
    full = np.repeat(small, 3, axis=2) if small.shape[2] == 1 else small
    return np.asarray(full, np.float32), float(reduction * times)
