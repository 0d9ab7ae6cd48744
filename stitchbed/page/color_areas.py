"""I part a painting into areas of one color, to select by: the sea, the sky, a roof.

In: a clean painting. Out: flats of it: a page that shows each area in its mean color, and bare paper white.

Lines and the tooth of the paper are taken out by a median, colors that lie close together are one, and what is smaller
than a fingertip joins the area round it. A large area has a color of its own; small ones of one color share theirs.
"""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.color.cielab import chroma_of, lab_from_xyz
from stitchbed.color.convert import from_srgb, to_srgb
from stitchbed.color.profiles import srgb_profile, xyz_from_profile
from stitchbed.core.arrays import Array, Bytes, Floats, Ints, Labels, Pixels
from stitchbed.core.progress import Progress, silent, ticking
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, clipped, grown, shifted
from stitchbed.imaging.reduce import reduction_to, repeated
from stitchbed.imaging.transfer import to_stored, transfer_of
from stitchbed.page.line_art.slivers import areas, joined, touches
from stitchbed.page.page import Page, overview

MAP_DPI, MOST_CELLS = 100.0, 2**22  # of the small map: a cell of .25 mm
LINE_MM = 2.0  # across the median: lines up to half of it vanish
STEP, APART, PALE = 4, 13.0, 6.0  # of CIELAB: counted as one at first; between colors told apart; from white
COLORS, LEAST_SHARE = 14, 0.002  # most colors told apart; of the page that one has at least
OWN, OWN_SHARE = 9, 0.015  # most areas with a color of their own; of the page that one has at least
SMALL_MM2 = 25.0  # smaller areas join what they touch most
SMOOTH_MM = 1.0  # of an area's border
BARE = (97.0, 3.0)  # L* and chroma of paper
ROWS = 256  # of the small map worked on at once


def color_areas(page: Page, *, workers: int = 1, progress: Progress = silent) -> Page:
    """Flats of a painting, in its own profile, or in sRGB where it is gray; at its size and depth."""
    factor = reduction_to(page.dpi, MAP_DPI)
    while page.height * page.width / factor**2 > MOST_CELLS:
        factor += 1
    factor, cell_mm = min(factor, page.height, page.width), factor * MM_PER_INCH / page.dpi
    light = overview(page, factor, workers=workers, progress=progress)[0]
    tick = ticking("telling colors apart", 4, progress)
    seen = _smooth_lab(light, page, cell_mm)
    tick()
    colors = _main_colors(seen)
    nearest = _nearest(seen, colors)
    tick()
    labels, color_of = _areas_of(_smoothed(nearest, len(colors), cell_mm), max(1, round(SMALL_MM2 / cell_mm**2)))
    tick()
    group, codes = _in_groups(labels, color_of, colors, light, page)
    tick()
    return _page_of(group, codes, factor, page)


def _smooth_lab(light: Floats, page: Page, cell_mm: float) -> Bytes:
    """(h, w, 3) CIELAB in 8 bits (L* by 2.55, a* and b* plus 128), without lines."""
    to_xyz = xyz_from_profile(page.icc if page.channels == 3 else None)
    lab = np.empty((*light.shape[:2], 3), np.uint8)
    for top in range(0, len(light), ROWS):
        rgb = np.broadcast_to(light[top : top + ROWS], (*light[top : top + ROWS].shape[:2], 3))
        part = lab_from_xyz(rgb.astype(np.float64) @ to_xyz.T) * (2.55, 1, 1) + (0, 128, 128)
        lab[top : top + ROWS] = np.clip(np.rint(part), 0, 255)
    size = min(round(LINE_MM / cell_mm) | 1, 255)
    return np.asarray(cv2.medianBlur(lab, size)) if size > 1 else lab


def _bins(seen: Bytes) -> Labels:
    """(h, w) number of each color's cube of STEP."""
    cube = seen.astype(np.int32) // STEP
    return np.asarray((cube[..., 0] * 64 + cube[..., 1]) * 64 + cube[..., 2], np.int32)


def _lab_of(bins: Ints) -> Array:
    """(n, 3) CIELAB in the middle of cubes."""
    cube = np.stack([bins // 4096, bins // 64 % 64, bins % 64], axis=1)
    return np.asarray((cube + 0.5) * STEP * (1 / 2.55, 1, 1) - (0, 128, 128), np.float64)


def _main_colors(seen: Bytes) -> Array:
    """(n, 3) CIELAB: white, and the commonest colors that are far from each other, the commonest first."""
    share = np.bincount(_bins(seen).ravel(), minlength=64**3) / seen[..., 0].size
    order = np.argsort(-share, kind="stable")[: np.count_nonzero(share)]
    chosen = np.array([[100.0, 0.0, 0.0]])
    for lab, part in zip(_lab_of(order), share[order], strict=True):
        if len(chosen) > COLORS or part < LEAST_SHARE / 8:
            break
        apart = np.linalg.norm(chosen - lab, axis=1)
        if apart[0] >= PALE and apart[1:].min(initial=APART) >= APART:
            chosen = np.concatenate([chosen, lab[None]])
    return chosen


def _nearest(seen: Bytes, colors: Array) -> Bytes:
    """(h, w) which color each cell's is nearest to; 0 is bare paper."""
    bins = np.arange(64**3)
    lab = _lab_of(bins)
    table = np.argmin([np.linalg.norm(lab - color, axis=1) for color in colors], axis=0).astype(np.uint8)
    paper = (lab[:, 0] >= BARE[0]) & (chroma_of(lab) <= BARE[1] + STEP)
    tinted = (table == 0) & ~paper
    if len(colors) > 1:
        others = np.argmin([np.linalg.norm(lab - color, axis=1) for color in colors[1:]], axis=0) + 1
        table[tinted] = others[tinted]
    return table[_bins(seen)]


def _smoothed(nearest: Bytes, count: int, cell_mm: float) -> Bytes:
    """The color that most cells round each have."""
    size = round(SMOOTH_MM / cell_mm) | 1
    best, most = np.zeros_like(nearest), np.full(nearest.shape, -1.0, np.float32)
    for n in range(count):
        share = cv2.blur((nearest == n).astype(np.float32), (size, size))
        np.copyto(best, np.uint8(n), where=share > most)
        np.maximum(most, share, out=most)
    return best


def _areas_of(nearest: Bytes, smallest: int) -> tuple[Labels, Ints]:
    """(h, w) areas from 1 on, and (n + 1,) the color of each; those of fewer cells than `smallest` are joined."""
    labels, color_of = np.zeros(nearest.shape, np.int32), [np.zeros(1, np.int64)]
    for color in np.unique(nearest).tolist():
        count, parts = cv2.connectedComponents((nearest == color).astype(np.uint8), connectivity=4)
        labels += np.where(parts > 0, parts + sum(map(len, color_of)) - 1, 0).astype(np.int32)
        color_of.append(np.full(count - 1, color, np.int64))
    cells = np.ones(nearest.shape, np.uint8)
    area = areas(labels, cells)
    into = joined(touches(labels, cells), area, (area > 0) & (area < smallest))
    return into[labels], np.concatenate(color_of)


def _in_groups(labels: Labels, color_of: Ints, colors: Array, light: Floats, page: Page) -> tuple[Bytes, Pixels]:
    """(h, w) group of each cell, 0 paper, and (n + 1, 3) codes of each group: its mean color."""
    area = np.bincount(labels.ravel(), minlength=len(color_of))
    inked = np.flatnonzero((area > 0) & (color_of > 0))
    large = inked[area[inked] >= OWN_SHARE * labels.size]
    own = large[np.argsort(-area[large], kind="stable")][:OWN]
    group_of = np.where(color_of > 0, color_of, 0)
    group_of[own] = len(colors) + np.arange(len(own))
    group = group_of.astype(np.uint8)[labels]
    count = np.maximum(np.bincount(group.ravel(), minlength=len(colors) + len(own)), 1)
    sums = [np.bincount(group.ravel(), light[..., c].ravel(), len(count)) for c in range(light.shape[2])]
    mean = np.asarray(np.stack(sums, axis=1) / count[:, None], np.float32)[None]
    codes = to_stored(mean, page.dtype, page.transfer)
    rgb = (to_srgb(codes, page.icc) if page.channels == 1 else codes)[0]
    rgb[0] = from_srgb((255, 255, 255), page.icc if page.channels == 3 else None, page.dtype)
    return group, rgb


def _page_of(group: Bytes, codes: Pixels, factor: int, page: Page) -> Page:
    """The groups in their colors at the page's own size, stairs of the map's cells smoothed."""
    size = min(2 * factor + 1, 255)

    def read(box: Box) -> Pixels:
        wide = clipped(grown(box, factor + 1), page.box)
        number = repeated(group, wide, factor)
        number = np.asarray(cv2.medianBlur(number, size)) if factor > 1 else number
        return np.asarray(codes[number[shifted(box, -wide.row, -wide.col).slices]])

    icc = page.icc if page.channels == 3 else (srgb_profile() if page.icc else None)
    return Page(page.height, page.width, 3, page.dtype, page.dpi, icc, transfer_of(icc), read)
