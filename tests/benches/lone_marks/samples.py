"""I gather what `clean` sees of every small lone mark of a page, and what the mark is.

In: a `Sheet` and the seed of its scan. Out: `Samples`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from lone_marks.dust import Dust
from lone_marks.scans import scanned
from lone_marks.sheets import SAMPLES, Sheet, cover
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.page.dust import sweep as sweeping
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.classify import BESIDE, asked
from stitchbed.page.dust.evidence import PEN_MM, odds
from stitchbed.page.dust.finds import Finds
from stitchbed.page.dust.surroundings import seen_among
from stitchbed.page.ground import Ground
from stitchbed.page.page import page_of_array
from stitchbed.page.sheet.white import PaperSettings, survey

LARGEST_MM = 0.6
INK, DUST, NEITHER = 0, 1, -1
STROKE_MM, DOT_MM = 0.093, 0.09  # least width and size of a drawn mark: a dot of .1 mm in whole samples
WHOLE = 0.75  # of a mark's width that a disc of the find's ink is wide; less is a bit of the mark
GRAIN_MM, INKED = 0.1, 0.2  # least size of a grain; px of ink from which on it is no grain alone
BARE = 0.3  # of what lies round a mark must be paper
CELLS = 60  # of the map of ink, each side


@dataclass(frozen=True)
class Samples:
    """seen : (n, k) what is looked at, in the order that was asked for. what : (n,) INK, DUST or NEITHER."""

    seen: Array
    what: NDArray[np.int8]


def gathered(sheet: Sheet, seed: int, names: Sequence[str], dpi: float) -> Samples:
    """What is seen of each mark that would be weighed on a scan of the sheet. names : of what is looked at."""
    scan = scanned(sheet, seed, dpi)
    finds, weighed, scale = _found(scan.codes, cover(sheet), dpi)
    seen = seen_among(finds, odds(finds, scale, PEN_MM), scale, PEN_MM)
    use = weighed & (finds.bare > BARE) & (finds.beside < BESIDE)
    return Samples(np.stack([seen[name][use] for name in names], axis=1), _what(finds, sheet, scan.dust, dpi)[use])


def _found(codes: NDArray[np.uint8], ink: Floats, dpi: float) -> tuple[Finds, NDArray[np.bool_], Scale]:
    """The finds of a page as `clean` makes them, which of them were weighed, and their scale."""
    page = page_of_array(codes, dpi)
    ground = Ground(page, survey(page, page.box, PaperSettings()))
    dark = (cv2.resize(ink, (CELLS, CELLS), interpolation=cv2.INTER_AREA) > 0.5).astype(np.float32)
    traits = sweeping.ink_of(ground, sweeping.sampled(page, page.box, dark), 1)
    scale = Scale(dpi / MM_PER_INCH, LARGEST_MM)
    finds = sweeping.sweep(ground, page.box, traits, scale)
    which = asked(finds, scale)
    return sweeping.weighed(ground, finds, which, traits, scale), which, scale


def _what(finds: Finds, sheet: Sheet, dust: Dust, dpi: float) -> NDArray[np.int8]:
    """(n,) what each find is, by what was drawn and laid where its pixels are."""
    ink, count = cover(sheet), len(finds.kind)
    high, wide = ink.shape
    inside = (finds.rows >= 0) & (finds.rows < high) & (finds.cols >= 0) & (finds.cols < wide)
    owner, rows, cols = finds.owner[inside], finds.rows[inside], finds.cols[inside]
    inked = np.bincount(owner, ink[rows, cols], count)
    widest, grain = np.zeros(count), np.zeros(count, np.int64)
    np.maximum.at(widest, owner, _width(sheet)[rows, cols])
    np.maximum.at(grain, owner, dust.owner[rows, cols])
    size = np.array([dust.sizes.get(number, 0.0) for number in grain.tolist()])
    across = np.sqrt(4 * inked / np.pi) * MM_PER_INCH / dpi
    drawn = (grain == 0) & (widest >= STROKE_MM) & (across > np.maximum(DOT_MM, WHOLE * widest))
    return np.where(drawn, INK, np.where((inked < INKED) & (size >= GRAIN_MM), DUST, NEITHER)).astype(np.int8)


def _width(sheet: Sheet) -> Array:
    """(h, w) mm, how wide the ink in each pixel is: twice the largest distance from paper."""
    depth = cv2.distanceTransform((sheet.ink > 0).astype(np.uint8), cv2.DIST_L2, 5)
    high, wide = (side // SAMPLES for side in depth.shape)
    return np.asarray(depth.reshape(high, SAMPLES, wide, SAMPLES).max(axis=(1, 3)) * 2 / sheet.scale, np.float64)
