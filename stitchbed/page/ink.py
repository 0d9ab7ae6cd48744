"""I measure a page's ink: how black it is, how sharp the scan drew it, how noisy the paper is.

In: sample windows of evened linear light (paper 1). Out: `InkTraits`, and the amount of ink 0..1 in a pixel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats, Labels, Mask
from stitchbed.matching.robust import robust_sigma

DARK = 0.5  # of the paper's light; below it a pixel is more ink than paper
DARKEST = 0.2  # of the paper's light, L* 50 or so; what is lighter is pencil or paint, no ink
USUAL_BLACK = 0.04  # where a page shows no ink
LEAST_CORE = 400  # px of solid ink before the black point is believed
LEAST_EDGE = 400  # px of full edges before the sharpness is believed
USUAL_BLUR_MM = 0.03  # one sd; common practice for a flatbed, no source
PIXEL_VARIANCE = 1 / 12  # of a box one pixel wide, px^2


@dataclass(frozen=True)
class InkTraits:
    """black : light of solid ink relative to paper, 0..1; found says whether the page showed any.

    blur : one sd px of everything between the drawing and the pixel, pixel box included.
    noise : one sd of the softened amount of ink on bare paper. level : its median there (0 when the paper is even).
    grain, ink_grain : one sd of the light of single pixels of bare paper and of solid ink, relative to paper.
    """

    black: float
    found: bool
    blur: float
    noise: float
    level: float
    grain: float = 0.0
    ink_grain: float = 0.0


def traits_of(samples: Sequence[Floats], px_per_mm: float) -> InkTraits:
    """Traits from (h, w) windows of light relative to paper."""
    black, found, ink_grain = _black(samples)
    amounts = [amount(sample, black) for sample in samples]
    soft = [softened(a, px_per_mm) for a in amounts]
    bare = np.concatenate([s[s < 0.15] for s in soft]) if soft else np.zeros(0, np.float32)
    level = float(np.median(bare)) if bare.size else 0.0
    noise = robust_sigma(bare - level) if bare.size else 0.02
    light = np.concatenate([s[s > 0.85] for s in samples]) if samples else np.ones(0, np.float32)
    # a median of deviations would be a whole number of codes: of stored steps only the spread itself is told finely
    near = light[np.abs(light - np.median(light)) < 0.1] if light.size else light
    grain = float(near.std()) if near.size else 0.0
    return InkTraits(black, found, _blur(amounts, px_per_mm), noise, level, grain, ink_grain)


def amount(light: Floats, black: float) -> Floats:
    """Ink in a pixel, 0 paper .. 1 solid, from light relative to paper: linear, so it adds up over an area."""
    return np.asarray((1 - light) / np.float32(1 - black), np.float32)


def softened(ink: Floats, px_per_mm: float) -> Floats:
    """(h, w) ink without the finest noise: blurred by .02 mm, at least half a pixel."""
    return np.asarray(cv2.GaussianBlur(ink, (0, 0), softening(px_per_mm)), np.float32)


def softening(px_per_mm: float) -> float:
    """One sd px of `softened`."""
    return max(0.5, 0.02 * px_per_mm)


def _black(samples: Sequence[Floats]) -> tuple[float, bool, float]:
    """Light of pixels all of whose neighbors within 2, 1 or 0 px are dark too, whether enough were found, their sd."""
    for reach in (2, 1):
        kernel = np.ones((2 * reach + 1,) * 2, np.uint8)
        core = [s[cv2.dilate(s, kernel) < DARK] for s in samples]
        dark = np.concatenate(core) if core else np.zeros(0, np.float32)
        if dark.size >= LEAST_CORE:
            black = _lowest_mode(dark)
            if black > DARKEST:
                return USUAL_BLACK, False, 0.0
            return black, True, robust_sigma(dark[np.abs(dark - black) < 0.03] - black)
    dark = np.concatenate([s[s < DARK] for s in samples]) if samples else np.zeros(0, np.float32)
    if dark.size >= LEAST_CORE:
        black = float(np.percentile(dark, 2))
        return (black, True, 0.0) if black <= DARKEST else (USUAL_BLACK, False, 0.0)
    return USUAL_BLACK, False, 0.0


def _lowest_mode(dark: Floats) -> float:
    """Where the darkest tenth gathers: grays of washes and dust must not lift the black of the ink."""
    center = float(np.percentile(dark, 5))
    for _ in range(8):
        near = dark[np.abs(dark - center) < 0.03]
        center = float(near.mean()) if near.size else center
    return center


def _blur(amounts: Sequence[Floats], px_per_mm: float) -> float:
    """One sd px of the full edges: across a Gaussian edge a (1 - a) adds up to sd / sqrt(pi), the gradient to 1."""
    sums = np.array([_edge_sums(a) for a in amounts]).reshape(-1, 3).sum(axis=0)
    if sums[2] < LEAST_EDGE:
        return float(np.sqrt((USUAL_BLUR_MM * px_per_mm) ** 2 + 0.35**2 + PIXEL_VARIANCE))
    return float(np.clip(np.sqrt(np.pi) * sums[0] / sums[1], 0.3, 6))


def _edge_sums(a: Floats) -> tuple[float, float, int]:
    """Sums of a (1 - a) and of the gradient round edges that go from paper to solid ink within 9 px, and their px."""
    kernel = np.ones((9, 9), np.uint8)
    full = (cv2.dilate(a, kernel) > 0.93) & (cv2.erode(a, kernel) < 0.07) & (np.abs(a - 0.5) < 0.3)
    around = cv2.dilate(full.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    gx = cv2.filter2D(a, cv2.CV_32F, np.array([[-0.5, 0, 0.5]], np.float32))
    gy = cv2.filter2D(a, cv2.CV_32F, np.array([[-0.5], [0], [0.5]], np.float32))
    slope = np.hypot(gx, gy)[around]
    value = np.clip(a[around], 0, 1)
    return float((value * (1 - value)).sum()), float(slope.sum()), int(full.sum())


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


def redrawn(soft: Floats, levels: Sequence[float], blur: float) -> list[Floats]:
    """The page (h, w) as solid ink on white paper would look through the same optics, ink being where `soft` > level.

    The distance of a pixel to the edge is (ink - level) / slope; a pixel's cover follows; cover is then blurred.
    """
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    slope = np.maximum(np.sqrt(gx * gx + gy * gy), np.float32(0.02))
    sigma = float(np.sqrt(max(blur**2 - PIXEL_VARIANCE, 0.1)))
    covers = (np.clip(np.float32(0.5) + (soft - np.float32(level)) / slope, 0, 1) for level in levels)
    return [np.asarray(cv2.GaussianBlur(cover, (0, 0), sigma), np.float32) for cover in covers]


def unexplained(soft: Floats, blur: float) -> Floats:
    """(h, w) 0..1, how far the page is from solid ink on white paper.

    A gray right at the middle level fits neither side, so levels above and below are tried too: an edge moves by that
    little.
    """
    apart = [np.abs(soft - drawn) for drawn in redrawn(soft, (0.5, 0.38, 0.62), blur)]
    return np.asarray(np.maximum(apart[0], np.minimum(apart[1], apart[2]) - np.float32(0.12)))


def components(mask: Mask) -> Labels:
    return np.asarray(cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)[1], np.int32)


def short(labels: Labels) -> NDArray[Any]:
    """The labels in the shortest numbers that hold them and that OpenCV's morphology takes: it goes as fast as they are
    short. float32 holds whole numbers up to 2**24 exactly; a window has fewer finds."""
    most = int(labels.max(initial=0))
    return labels.astype(np.uint8 if most < 2**8 else np.uint16 if most < 2**16 else np.float32)


def grown(labels: Labels, reach: int, barrier: Mask) -> Labels:
    """Labels spread by `reach` px over free pixels; where two meet the larger number wins."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    spread = cv2.dilate(short(labels), disc).astype(np.int32)
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
