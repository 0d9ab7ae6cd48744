"""I make the small pictures of a proof page: what was read, seen as the result shows it, beside what was written.

In: pictures of any size and profile, and where the result's corners lie in them. Out: JPEG in sRGB.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from stitchbed.color.convert import srgb_view
from stitchbed.core.arrays import Array, Bytes
from stitchbed.imaging.depth import eight_bit
from stitchbed.reading.formats import open_windows
from stitchbed.report.before_after import GAP
from stitchbed.report.blocks import Shown
from stitchbed.report.tiles import NOTHING

VIEW_PX = 1200  # longest side, about: the page is as wide; two thirds to half as much again, by whole factors
JPEG_QUALITY = 88


def preview(path: Path, words: str) -> Shown:
    """The whole picture, small."""
    return _encoded(_view(path, _factor(path)), words)


def size_of(path: Path) -> tuple[int, int]:
    """(width, height) px."""
    with open_windows(path) as windows:
        return windows.raster.shape[1], windows.raster.shape[0]


def both_sides(source: Path, corners: Sequence[Sequence[float]], result: Path) -> tuple[Shown, Shown]:
    """The source as the result's frame sees it, and the result, small and of one size.

    corners : (4, 2) px of the source at the middles of the result's corner pixels, clockwise from the top left. Between
    them the source is taken as flat: a lens's bending, some pixels at most, is left in.
    """
    factor, (wide, high) = _factor(result), size_of(result)
    after = _view(result, factor)
    height, width = after.shape[:2]
    at = np.array(corners, np.float64)
    spread = np.linalg.norm(at - np.roll(at, 1, axis=0), axis=1).max() / max(height, width)
    finer = max(1, int(spread))  # a source shown coarser than the result would look worse than it is
    before = _view(source, finer)
    ends = np.array([(0, 0), (wide - 1, 0), (wide - 1, high - 1), (0, high - 1)], np.float64)
    small, small_at = (((px + 0.5) / by - 0.5).astype(np.float32) for px, by in ((ends, factor), (at, finer)))
    seen = cv2.warpPerspective(
        before, cv2.getPerspectiveTransform(small, small_at), (width, height),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderValue=(NOTHING,) * 3,
    )  # fmt: skip
    words = f"before: {source.name}, framed as the result", f"after: {result.name}"
    return _encoded(np.asarray(seen, np.uint8), words[0]), _encoded(after, words[1])


def step_picture(path: Path, title: str, *, parted: bool) -> tuple[Shown, ...]:
    """A picture of both sides, as `before_after.write_pair` makes it; cut in two if `parted` and of one size."""
    with Image.open(path) as image:
        codes = np.asarray(image.convert("RGB"))
    half = (codes.shape[1] - GAP) // 2
    if not parted or codes.shape[1] != 2 * half + GAP or (codes[:, half : half + GAP] != NOTHING).any():
        return (_encoded(codes, f"{title}: before and after"),)
    return _encoded(codes[:, :half], f"{title}: before"), _encoded(codes[:, half + GAP :], f"{title}: after")


def _factor(path: Path) -> int:
    """How many times smaller a picture is shown."""
    return max(1, round(max(size_of(path)) / VIEW_PX))


def _view(path: Path, factor: int) -> Bytes:
    """(h, w, 3) sRGB codes, `factor` times smaller."""
    with open_windows(path) as windows:
        channels = windows.raster.shape[2]
        stored = windows.view(factor)
        codes = eight_bit(np.asarray(stored)).reshape(*stored.shape[:2], -1)[..., :channels]
        return srgb_view(windows.raster.icc, channels)(np.ascontiguousarray(codes))


def _encoded(pixels: Array | Bytes | Any, words: str) -> Shown:
    """JPEG with full color: small specks are what is looked at."""
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).save(buffer, "JPEG", quality=JPEG_QUALITY, subsampling=0)
    return Shown(buffer.getvalue(), pixels.shape[1], pixels.shape[0], words)
