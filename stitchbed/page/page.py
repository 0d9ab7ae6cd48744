"""I am a finished page seen block by block: linear light of any box, and work spread over threads in order.

In: opened windows of a master, or an array in memory. Out: a `Page`, boxes of linear light, ordered results.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from stitchbed.core.arrays import Floats, Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.imaging.box import Box, clipped
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.reduce import shrunk
from stitchbed.imaging.transfer import Transfer, to_linear, transfer_of

STRIP_PX = 2 * 2**20  # px read at once for an overview
LUMINANCE = (0.2126, 0.7152, 0.0722)  # of linear RGB. Reference: IEC 61966-2-1:1999


@dataclass(frozen=True)
class Page:
    """What is needed to read a page: height, width px; channels 1 or 3; dtype "uint8"/"uint16"; dpi per inch.

    read : Box inside the page -> (h, w, channels) stored codes. cover : the same -> (h, w) alpha codes; None without.
    """

    height: int
    width: int
    channels: int
    dtype: str
    dpi: float
    icc: bytes | None
    transfer: Transfer
    read: Callable[[Box], Pixels]
    cover: Callable[[Box], Pixels] | None = None

    @property
    def box(self) -> Box:
        """The whole page."""
        return Box(0, 0, self.height, self.width)

    @property
    def top(self) -> int:
        """The largest code."""
        return int(np.iinfo(self.dtype).max)


def page_of(windows: Any, *, dpi: float | None = None) -> Page:
    """A page over opened windows (`reading.formats.open_windows`); reads are made one at a time.

    dpi : per inch, where the file does not say.

    Raises
    ------
    BadSettings : neither the file nor the caller knows the dpi.
    """
    raster, lock = windows.raster, threading.Lock()
    known = dpi or (raster.dpi and float(np.mean(raster.dpi)))
    if not known:
        raise BadSettings("a page without dpi", expected="the dpi it was scanned at", attempt="--dpi 600")

    def read(box: Box) -> Pixels:
        with lock:
            window = windows.window(box)
        return np.asarray(window).reshape(box.height, box.width, -1)

    def cover(box: Box) -> Pixels:
        with lock:
            return np.asarray(windows.alpha(box))

    height, width, channels = raster.shape
    transfer = transfer_of(raster.icc)
    alpha = cover if raster.alpha else None
    return Page(height, width, channels, raster.dtype, float(known), raster.icc, transfer, read, alpha)


def page_of_array(pixels: Pixels, dpi: float, *, icc: bytes | None = None) -> Page:
    """A page over (h, w) or (h, w, 1 or 3) stored codes in memory."""
    whole = pixels.reshape(*pixels.shape[:2], -1)
    height, width, channels = whole.shape
    return Page(height, width, channels, whole.dtype.name, dpi, icc, transfer_of(icc), lambda box: whole[box.slices])


def codes(page: Page, box: Box) -> Pixels:
    """(h, w, channels) stored codes of a box that may leave the page: edge pixels go on outside."""
    inner = clipped(box, page.box)
    if inner.empty:
        return np.full((box.height, box.width, page.channels), page.top, page.dtype)
    return extended(page.read(inner), inner, box)


def extended(pixels: Pixels, inner: Box, box: Box) -> Pixels:
    """`pixels` of `inner` continued to the larger `box` by its edge pixels."""
    if inner == box:
        return pixels
    above, left = inner.row - box.row, inner.col - box.col
    below, right = box.bottom - inner.bottom, box.right - inner.right
    wide = cv2.copyMakeBorder(pixels, above, below, left, right, cv2.BORDER_REPLICATE)
    return np.asarray(wide).reshape(box.height, box.width, *pixels.shape[2:])


def linear(page: Page, box: Box) -> Floats:
    """(h, w, channels) linear light 0..1 of a box that may leave the page; white where nothing covers it."""
    light = to_linear(codes(page, box), page.transfer)
    inner = clipped(box, page.box)
    if page.cover is not None and not inner.empty:
        bare = extended(page.cover(inner), inner, box) == 0
        light = np.where(bare[..., None], np.float32(1), light)
    return light


def luminance(light: Floats) -> Floats:
    """(h, w) luminance of (h, w, 1 or 3) linear light."""
    if light.shape[2] == 1:
        return light[..., 0]
    weights = np.array(LUMINANCE, np.float32)
    return np.asarray(light @ weights, np.float32)


def luminance_at(color: Floats) -> float:
    """Luminance of one color (1 or 3,) in linear light."""
    return float(luminance(color[None, None])[0, 0])


def overview(page: Page, factor: int, *, workers: int = 1, progress: Progress = silent) -> tuple[Floats, Floats | None]:
    """The whole page as (h, w, c) linear light, each pixel the mean of factor x factor px, and (h, w) cover 0..1.

    Rows and columns that do not fill a whole pixel are left out.
    """
    high, wide = page.height // factor, page.width // factor
    rows = max(1, STRIP_PX // (page.width * factor))
    strips = [Box(r * factor, 0, min(rows, high - r) * factor, wide * factor) for r in range(0, high, rows)]
    light = np.empty((high, wide, page.channels), np.float32)
    parts = in_order(lambda b: shrunk(linear(page, b), factor), strips, workers)
    for box, part in zip(strips, counted(parts, "looking at the page", len(strips), progress), strict=True):
        light[box.row // factor : box.bottom // factor] = part
    if page.cover is None:
        return light, None
    read = page.cover
    cover = [shrunk(read(b).astype(np.float32) / np.float32(page.top), factor) for b in strips]
    return light, np.concatenate(cover)
