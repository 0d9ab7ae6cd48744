"""I go over a whole page for dust, block by block, and keep a mask of what is to go.

In: a page on its ground, and its ink. Out: `Finds` of the page; a `DustMap` that any block of the page can be asked of.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Indices, Mask
from stitchbed.core.errors import BadSettings
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, blocks, clipped, grown, shifted
from stitchbed.imaging.gray import mean_of
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.reduce import reduction_to, shrunk
from stitchbed.page.dust.candidates import Scale, finds_in
from stitchbed.page.dust.fibers import shown_whole
from stitchbed.page.dust.finds import Finds, joined, moved
from stitchbed.page.dust.solidity import solidity
from stitchbed.page.dust.spread import spread_of
from stitchbed.page.ground import Ground, relative
from stitchbed.page.ink import InkTraits, amount, traits_of
from stitchbed.page.page import Page, luminance

LOOK_DPI = 600.0  # dust is sought at this resolution; a speck of .05 mm is then 1.2 px
SAMPLE_PX = 512  # of a sample at LOOK_DPI
SAMPLES = 20
TOGETHER = 768  # px at LOOK_DPI; marks within such a square are weighed at once
PATCH = 0.6  # of the largest mark's longest side: half a patch, so that paper shows round it
STRAY = 0.1  # of full ink beside a mark; what is darker is another mark and is not fitted
MOST_FINDS = 400_000  # of a page; a dusty one has a tenth, and these take some 300 MiB
BLOCK = 768  # px at LOOK_DPI; the result does not depend on it


@dataclass(frozen=True)
class DustMap:
    """bits : (h, ceil(w / 8)) packed mask of pixels of `factor` page px; count : grains of dust in it.

    in_ink : some of it lies in ink, so that filling may darken.
    """

    bits: NDArray[np.uint8]
    factor: int
    count: int
    in_ink: bool = False


def sampled(page: Page, area: Box, dark: Floats) -> list[Box]:
    """Boxes of the page that show its ink best: the darkest of a grid, and some from all over.

    dark : (gh, gw) share of ink in cells that cover `area` evenly.
    """
    side = SAMPLE_PX * reduction_to(page.dpi, LOOK_DPI)
    grid = [clipped(box, Box(0, 0, area.height, area.width)) for box in blocks(area.height, area.width, side)]
    high, wide = dark.shape

    def darkness(box: Box) -> float:
        rows = slice(box.row * high // area.height, max(1, -(-box.bottom * high // area.height)))
        cols = slice(box.col * wide // area.width, max(1, -(-box.right * wide // area.width)))
        return float(dark[rows, cols].mean())

    ranked = sorted(grid, key=lambda b: (-darkness(b), b))
    spread = grid[:: max(1, len(grid) // 6)]
    chosen = dict.fromkeys([*ranked[: SAMPLES - len(spread)], *spread])
    return [shifted(box, area.row, area.col) for box in chosen if min(box.height, box.width) >= side // 4]


def ink_of(ground: Ground, boxes: list[Box], factor: int, *, progress: Progress = silent) -> InkTraits:
    """The page's ink as its samples show it, at `factor` px to the pixel."""
    pictures = []
    for box in counted(boxes, "measuring the ink", len(boxes), progress):
        even = Box(box.row, box.col, box.height // factor * factor, box.width // factor * factor)
        pictures.append(luminance(shrunk(relative(ground, even), factor)))
    return traits_of(pictures, ground.page.dpi / factor / MM_PER_INCH)


def sweep(
    ground: Ground, area: Box, traits: InkTraits, scale: Scale, *, workers: int = 1, progress: Progress = silent
) -> Finds:
    """Everything in `area` that could be dust, places in px of `factor` page px from the page's corner.

    traits : at that scale.
    """
    factor = reduction_to(ground.page.dpi, LOOK_DPI)
    top, left = area.row // factor, area.col // factor
    bottom, right = -(-area.bottom // factor), -(-area.right // factor)

    def look(core: Box) -> Finds:
        at = shifted(core, top, left)
        window = grown(at, scale.halo)
        full = Box(window.row * factor, window.col * factor, window.height * factor, window.width * factor)
        ink = amount(shrunk(relative(ground, full), factor), traits.black)
        found = finds_in(ink, traits, scale, shifted(at, -window.row, -window.col))
        return shown_whole(moved(found, window.row, window.col), Box(top, left, bottom - top, right - left))

    parts: list[Finds] = []
    count = 0
    every = list(blocks(bottom - top, right - left, BLOCK))
    for part in counted(in_order(look, every, workers), "searching for dust", len(every), progress):
        parts.append(part)
        count += len(part.kind)
        if count > MOST_FINDS:
            raise BadSettings(
                f"more than {MOST_FINDS:,} marks that might be dust",
                expected="a drawing with some dust on it, not noise or a screen of dots",
                attempt="the other steps: --steps border,paper,tone",
            )
    return joined(parts)


def weighed(
    ground: Ground,
    finds: Finds,
    asked: Mask,
    traits: InkTraits,
    scale: Scale,
    *,
    workers: int = 1,
    progress: Progress = silent,
) -> Finds:
    """The finds with `dark`, `gain`, `width`, `beside`, `spread` measured where (n,) `asked`: small lone ones.

    traits : as for `sweep`.
    """
    which = np.flatnonzero(asked)
    cells = np.stack([finds.row[which], finds.col[which]], axis=1).astype(np.int64) // TOGETHER
    order, start = np.unique(cells, axis=0, return_inverse=True)
    groups = [which[start.ravel() == n] for n in range(len(order))]
    starts = np.searchsorted(
        finds.owner, np.arange(len(finds.kind) + 1), sorter=(by := np.argsort(finds.owner, kind="stable"))
    )
    pixels = [by[starts[n] : starts[n + 1]] for n in which]
    own = dict(zip(which.tolist(), pixels, strict=True))

    def work(group: Indices) -> tuple[Array, ...]:
        return _weighed(ground, finds, group, own, traits=traits, scale=scale)

    columns = [m.copy() for m in (finds.dark, finds.gain, finds.width, finds.beside, finds.spread)]
    done = counted(in_order(work, groups, workers), "weighing specks", len(groups), progress)
    for group, measured in zip(groups, done, strict=True):
        for column, part in zip(columns, measured, strict=True):
            column[group] = part
    dark, gain, width, beside, spread = columns
    return replace(finds, dark=dark, gain=gain, width=width, beside=beside, spread=spread)


def _weighed(
    ground: Ground,
    finds: Finds,
    group: Indices,
    own: Mapping[int, Indices],
    *,
    traits: InkTraits,
    scale: Scale,
) -> tuple[Array, ...]:
    """Darkness, gain, width mm, ink beside and spread of the finds of one block."""
    factor = reduction_to(ground.page.dpi, LOOK_DPI)
    reach = round(PATCH * float(finds.extent[group].max()) * scale.px_per_mm) + 4
    rows, cols = (np.rint(m[group]).astype(int) for m in (finds.row, finds.col))
    window = Box(
        int(rows.min()) - reach,
        int(cols.min()) - reach,
        int(np.ptp(rows)) + 2 * reach + 1,
        int(np.ptp(cols)) + 2 * reach + 1,
    )
    full = Box(window.row * factor, window.col * factor, window.height * factor, window.width * factor)
    ink = mean_of(amount(shrunk(relative(ground, full), factor), traits.black)) - np.float32(traits.level)
    marked = cv2.dilate((ink > STRAY).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    patches = np.empty((len(group), 2 * reach + 1, 2 * reach + 1), np.float32)
    known, own_ink, beside = np.empty_like(patches), np.zeros_like(patches), np.zeros(len(group))
    for n, find in enumerate(group.tolist()):
        at = Box(int(rows[n]) - reach - window.row, int(cols[n]) - reach - window.col, 2 * reach + 1, 2 * reach + 1)
        patches[n] = ink[at.slices]
        mine = np.zeros(patches[n].shape, bool)
        r, c = finds.rows[own[find]] - window.row - at.row, finds.cols[own[find]] - window.col - at.col
        inside = (r >= 0) & (r < at.height) & (c >= 0) & (c < at.width)
        mine[r[inside], c[inside]] = True
        known[n] = mine | ~marked[at.slices]
        own_ink[n][mine] = patches[n][mine]
        touching = (cv2.dilate(mine.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0) & ~mine
        beside[n] = patches[n][touching].max(initial=0)
    dark, gain, width = solidity(patches, known, traits.blur, traits.grain)
    return dark, gain, width / scale.px_per_mm, beside, spread_of(own_ink, traits.blur, scale.px_per_mm)


def dust_map(page: Page, finds: Finds, dust: Mask, *, in_ink: bool = False) -> DustMap:
    """The mask of all finds where `dust` is true. in_ink : see `DustMap`."""
    factor = reduction_to(page.dpi, LOOK_DPI)
    high, wide = -(-page.height // factor), -(-page.width // factor)
    bits = np.zeros((high, -(-wide // 8)), np.uint8)
    pixels = dust[finds.owner]
    rows, cols = finds.rows[pixels], finds.cols[pixels]
    inside = (rows >= 0) & (rows < high) & (cols >= 0) & (cols < wide)
    rows, cols = rows[inside], cols[inside]
    np.bitwise_or.at(bits, (rows, cols // 8), (128 >> (cols % 8)).astype(np.uint8))
    return DustMap(bits, factor, int(dust.sum()), in_ink)


def mask_at(dust: DustMap, box: Box) -> Mask:
    """(h, w) mask of a box of the page, which it may leave."""
    f, high = dust.factor, dust.bits.shape[0]
    rows = np.arange(box.row // f, -(-box.bottom // f))
    first, last = box.col // f, -(-box.right // f)
    near = dust.bits[np.clip(rows, 0, high - 1)]
    lines = np.unpackbits(near[:, max(0, first // 8) : max(0, -(-last // 8))], axis=1)
    skip = first - max(0, first // 8) * 8
    whole = np.zeros((len(rows), last - first), np.uint8)
    shown = lines[:, max(0, skip) :][:, : last - first - max(0, -skip)]
    whole[:, max(0, -skip) : max(0, -skip) + shown.shape[1]] = shown
    whole[(rows < 0) | (rows >= high)] = 0
    full = cv2.resize(whole, None, fx=f, fy=f, interpolation=cv2.INTER_NEAREST) if f > 1 else whole
    top, left = box.row - rows[0] * f, box.col - first * f
    return np.asarray(full[top : top + box.height, left : left + box.width] > 0)
