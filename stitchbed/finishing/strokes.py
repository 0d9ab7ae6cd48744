"""I know strokes: what of a page is drawn out in some direction, and what black ink on white paper explains.

In: the amount of ink 0..1 in a window. Out: pictures of the same size, and labels.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats, Labels, Mask
from stitchbed.page.ink import PIXEL_VARIANCE

DIRECTIONS = 24  # of the openings that keep strokes; a stroke between two of them is off by at most 3.75 degrees


def unbroken(soft: Floats, length: int, *, every: bool = False) -> Floats:
    """What is left of (h, w) ink when nothing counts that is not `length` px long in some (or in every) direction.

    Reference: Soille & Talbot, Directional morphological filtering, IEEE PAMI 23(11):1313-1329, 2001.
    """
    codes = np.clip(soft * 200 + 20, 0, 255).astype(np.uint8)
    kept = np.full_like(codes, 255 if every else 0)
    for kernel in _needles(length):
        opened = cv2.erode(codes, kernel, borderType=cv2.BORDER_REPLICATE)
        opened = cv2.dilate(opened, kernel[::-1, ::-1].copy(), borderType=cv2.BORDER_REPLICATE)
        (np.minimum if every else np.maximum)(kept, opened, out=kept)
    return np.asarray((kept.astype(np.float32) - 20) / 200)


def redrawn(soft: Floats, level: float, blur: float) -> Floats:
    """(h, w) the page as solid ink on white paper would look through the same optics, ink being where `soft` > level.

    The distance of a pixel to the edge is (ink - level) / slope; a pixel's cover follows; cover is then blurred.
    """
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    cover = np.clip(0.5 + (soft - level) / np.maximum(np.sqrt(gx * gx + gy * gy), 0.02), 0, 1)
    return np.asarray(cv2.GaussianBlur(cover, (0, 0), float(np.sqrt(max(blur**2 - PIXEL_VARIANCE, 0.1)))), np.float32)


def unexplained(soft: Floats, blur: float) -> Floats:
    """(h, w) 0..1, how far the page is from solid ink on white paper.

    A gray right at the middle level fits neither side, so levels above and below are tried too: an edge moves by that
    little.
    """
    apart = [np.abs(soft - redrawn(soft, level, blur)) for level in (0.5, 0.38, 0.62)]
    return np.asarray(np.maximum(apart[0], np.minimum(apart[1], apart[2]) - np.float32(0.12)))


def components(mask: Mask) -> Labels:
    return np.asarray(cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)[1], np.int32)


def grown(labels: Labels, reach: int, barrier: Mask) -> Labels:
    """Labels spread by `reach` px over free pixels; where two meet the larger number wins."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    # float32 holds whole numbers up to 2**24 exactly; a window has fewer finds
    spread = cv2.dilate(labels.astype(np.float32), disc).astype(np.int32)
    spread[barrier] = 0
    return np.asarray(np.where(labels > 0, labels, spread), np.int32)


def _needles(length: int) -> list[NDArray[np.uint8]]:
    """Line-shaped kernels of `length` px in all directions, each once."""
    reach = (length - 1) / 2
    size = 2 * int(np.ceil(reach)) + 1
    found: dict[bytes, NDArray[np.uint8]] = {}
    for angle in np.pi * np.arange(DIRECTIONS) / DIRECTIONS:
        kernel = np.zeros((size, size), np.uint8)
        dx, dy, middle = reach * np.cos(angle), reach * np.sin(angle), size // 2
        ends = [(round((middle + s * dx) * 256), round((middle + s * dy) * 256)) for s in (-1, 1)]
        cv2.line(kernel, ends[0], ends[1], 1, 1, cv2.LINE_8, 8)
        found.setdefault(kernel.tobytes(), kernel)
    return list(found.values())
