"""I cut what is painted out of its paper: all within the outermost outline stays whole, however pale it is.

In: a page whose paper is white. Out: where the figure is on a small map, then the cover of every pixel of a box.

Bare paper is outside where it hangs together with the page's edge. Bare paper that lines close in is a hole; bare
paper within a wash or a black mass, such as stars and lettering in a night sky, is the painter's white and stays. What
is narrower than a gap in an outline leads nowhere.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Bytes, Floats, Ints, Labels, Mask, Pixels
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, clipped, grown
from stitchbed.imaging.gray import least_of
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.reduce import reduction_to, repeated, shrunk
from stitchbed.matching.robust import robust_sigma
from stitchbed.page.line_art.regions import flood

MAP_DPI = 150.0  # of the small map: a cell of .17 mm
MOST_CELLS = 2**24  # of the map; it takes some 16 bytes each
STRIP_PX = 2 * 2**20  # of the page read at once
FAINTEST = 0.012  # of white that is missing where a wash is at least; three codes of 8 bits
SIGMAS = 4.0  # of bare paper's noise that a wash stands out by
BARE = 0.06  # of white that is missing on bare paper at most
GAP_MM = 1.0  # an opening of an outline that is no way in
DARK = 0.35  # of white that is missing in a cell of a line
LINE_MM = 2.5  # of the broadest line; what is dark and broader is a mass, and white in it is the painter's
DENSE = 0.5  # share of twice that breadth that is dark where marks lie in a mass
LINED = 0.6  # share of a hole's rim that is line
HOLE_MM2 = 1.0  # of the smallest hole
SPECK_MM2 = 0.1  # of what is no figure of its own
RIM_MM = 1.5  # from the page's edge; what lies wholly within is the sheet's own edge
PALE, PALE_MM2 = 0.05, 10.0  # of white missing at most in tooth and shadows of the paper; smaller ones are no figure
WITHIN_MM, HARDLY = 0.5, 1.5  # from the rim; times the faintest wash: there the paper's grain decides where it ends
EDGE = 2  # px within a figure's rim that are partly paper


@dataclass(frozen=True)
class Figure:
    """inside : (h, w) 1 in cells of factor x factor px that stay. faint : of white missing, from which on a pixel is
    painted. height, width : px of the page. unsure : share of its rim where the wash is hardly darker than the paper.
    """

    inside: Bytes
    factor: int
    faint: float
    height: int
    width: int
    unsure: float = 0.0

    @property
    def share(self) -> float:
        """Of the page that stays, 0..1."""
        return float(self.inside.mean())


def missing(codes: Pixels) -> Floats:
    """(h, w) 0..1 of white that is missing in the channel that misses most."""
    return np.asarray(1 - least_of(codes) / np.float32(np.iinfo(codes.dtype).max), np.float32)


def figure_of(
    read: Callable[[Box], Pixels],
    size: tuple[int, int],
    dpi: float,
    *,
    holes: Sequence[tuple[float, float]] = (),
    workers: int = 1,
    progress: Progress = silent,
) -> Figure:
    """The figure of a page of (height, width) px. read : box -> codes. holes : (x, y) mm where paper goes, too."""
    factor = reduction_to(dpi, MAP_DPI)
    while size[0] * size[1] / factor**2 > MOST_CELLS:
        factor += 1
    cell_mm = factor * MM_PER_INCH / dpi
    gray = _small(read, size, factor, workers, progress)
    faint = faintest(gray)
    painted = _without_specks(gray, faint, cell_mm)
    fields = _fields(painted, max(1, round(GAP_MM / cell_mm / 2)), HOLE_MM2 / cell_mm**2)
    asked = [(int(y / cell_mm), int(x / cell_mm)) for x, y in holes]
    goes = _outside(fields) | _closed_in(fields, _lines(gray > DARK, cell_mm)) | _asked(fields, asked)
    inside = ~goes[fields]
    return Figure(inside.astype(np.uint8), factor, faint, *size, _unsure(gray, inside, faint, cell_mm))


def faintest(gray: Floats) -> float:
    """Of white missing, from which on a cell is painted: clear of the noise of bare paper."""
    bare = gray[gray < BARE]
    if not bare.size:
        return FAINTEST
    middle = float(np.median(bare))
    # what lies below the middle is noise alone; washes are all above
    return min(max(FAINTEST, middle + SIGMAS * robust_sigma(middle - bare[bare <= middle])), BARE)


def cut_out(read: Callable[[Box], Pixels], figure: Figure, box: Box) -> Pixels:
    """(h, w, c + 1) codes and straight alpha of a box: whole inside the figure, at its rim without the paper's share.

    A pixel at the rim is a mixture of paper and of what lies within: its cover is what it misses of white against
    what its neighbors inside do, and its color is what is left without the paper's share (Porter & Duff 1984).
    """
    wide = clipped(grown(box, 2 * EDGE + figure.factor), Box(0, 0, figure.height, figure.width))
    codes = read(wide)
    top = np.float32(np.iinfo(codes.dtype).max)
    gone = missing(codes)
    inside = _at(figure, wide, gone)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * EDGE + 1,) * 2)
    core = cv2.erode(inside, disc, borderValue=1) > 0
    near = cv2.dilate(inside, disc) > 0
    deepest = cv2.dilate(np.where(inside > 0, gone, 0).astype(np.float32), disc)
    # beside nothing deeper than the paper's own tooth, what shows at the rim is that
    rim = near & (deepest > 2 * PALE)
    share = np.where(rim, np.clip(gone / np.maximum(deepest, np.float32(1e-4)), 0, 1), 0)
    share = np.where(core, 1, share).astype(np.float32)
    own = 1 - (1 - codes / top) / np.maximum(share, np.float32(1e-3))[..., None]
    color = np.where(core[..., None], codes, np.rint(np.clip(own, 0, 1) * top))
    made = np.concatenate([color, np.rint(share * top)[..., None]], axis=2).astype(codes.dtype)
    return np.ascontiguousarray(made[box.row - wide.row :, box.col - wide.col :][: box.height, : box.width])


def _at(figure: Figure, box: Box, gone: Floats) -> Bytes:
    """(h, w) 1 inside the figure: by cells, and where inside and outside cells meet by the pixel."""
    around = np.ones((3, 3), np.uint8)
    cells = (cv2.erode(figure.inside, around, borderValue=1), figure.inside, cv2.dilate(figure.inside, around))
    sure, within, beside = (repeated(each, box, figure.factor) for each in cells)
    # beyond the figure's cells a pixel must stand out of the noise of single pixels
    return np.asarray(sure | (within & (gone > figure.faint)) | (beside & (gone > 2 * PALE)), np.uint8)


def _small(
    read: Callable[[Box], Pixels], size: tuple[int, int], factor: int, workers: int, progress: Progress
) -> Floats:
    """(h, w) of white missing in the mean of each cell; cells at the end may be smaller."""
    high, wide = size
    rows = max(1, STRIP_PX // (wide * factor)) * factor

    def strip(top: int) -> Floats:
        codes = read(Box(top, 0, min(rows, high - top), wide))
        ends = (-codes.shape[0] % factor, -codes.shape[1] % factor)
        whole = cv2.copyMakeBorder(codes, 0, ends[0], 0, ends[1], cv2.BORDER_REPLICATE).reshape(
            codes.shape[0] + ends[0], -1, codes.shape[2]
        )
        light = whole.astype(np.float32) / np.float32(np.iinfo(codes.dtype).max)
        means = shrunk(light, factor).reshape(len(whole) // factor, -1, codes.shape[2])
        return np.asarray(1 - least_of(means), np.float32)

    tops = range(0, high, rows)
    parts = counted(in_order(strip, tops, workers), "looking for the figure", len(tops), progress)
    return np.concatenate(list(parts))


def _without_specks(gray: Floats, faint: float, cell_mm: float) -> Mask:
    """(h, w) what is painted: cells from `faint` on in parts that are large enough, the paler the larger."""
    count, parts, stats, _ = cv2.connectedComponentsWithStats((gray > faint).astype(np.uint8), connectivity=8)
    strong = np.bincount(parts[gray > PALE], minlength=count) > 0
    area = stats[:, cv2.CC_STAT_AREA] * cell_mm**2
    rim = max(1, round(RIM_MM / cell_mm))
    deep = np.bincount(parts[rim:-rim, rim:-rim].ravel(), minlength=count) > 0
    kept = deep & (area >= np.where(strong, SPECK_MM2, PALE_MM2))
    kept[0] = False
    return np.asarray(kept[parts])


def _fields(painted: Mask, radius: int, least: float) -> Labels:
    """(h, w) number of each connected field of bare paper, 0 where painted or shut off.

    Fields of `least` cells and more are told apart with all openings up to 2 * radius cells closed, and then grow back
    into those.
    """
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)
    rim = cv2.copyMakeBorder(painted.astype(np.uint8), *(radius,) * 4, cv2.BORDER_CONSTANT, value=0)
    open_ = cv2.morphologyEx(rim, cv2.MORPH_CLOSE, disc)[radius:-radius, radius:-radius] == 0
    count, parts, stats, _ = cv2.connectedComponentsWithStats(open_.astype(np.uint8), connectivity=4)
    number = np.arange(count, dtype=np.int32) * (stats[:, cv2.CC_STAT_AREA] >= least)
    fields = np.ascontiguousarray(number[parts], np.int32)
    flood(fields, (fields == 0) & ~painted)
    return fields


def _unsure(gray: Floats, inside: Mask, faint: float, cell_mm: float) -> float:
    """Share of the figure's rim within which, WITHIN_MM deep, less than HARDLY times what is faint is missing."""
    within = inside.astype(np.float32)
    rim = inside & (cv2.erode(within, np.ones((3, 3), np.uint8), borderValue=1) == 0)
    side = 2 * max(1, round(WITHIN_MM / cell_mm)) + 1
    deep = cv2.blur(gray * within, (side, side)) / np.maximum(cv2.blur(within, (side, side)), np.float32(1e-3))
    return float((deep[rim] < HARDLY * faint).mean()) if rim.any() else 0.0


def _outside(fields: Labels) -> Mask:
    """(n + 1,) the fields that reach the page's edge."""
    found = np.zeros(int(fields.max()) + 1, bool)
    found[np.concatenate([fields[0], fields[-1], fields[:, 0], fields[:, -1]])] = True
    found[0] = False
    return found


def _lines(dark: Mask, cell_mm: float) -> Mask:
    """(h, w) what is dark and part of no mass: nowhere broader than a line, nor left between white letters in black."""
    side = 2 * max(1, round(LINE_MM / cell_mm / 2)) + 1
    solid = dark.astype(np.uint8)
    broad = cv2.morphologyEx(solid, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))) > 0
    dense = cv2.blur(solid.astype(np.float32), (2 * side - 1,) * 2, borderType=cv2.BORDER_REFLECT_101) > DENSE
    return dark & ~broad & ~dense


def _closed_in(fields: Labels, lines: Mask) -> Mask:
    """(n + 1,) the fields whose rims are lines."""
    count = int(fields.max()) + 1
    shade = cv2.dilate(lines.astype(np.uint8), np.ones((5, 5), np.uint8))
    rim, lined = np.zeros(count, np.int64), np.zeros(count, np.int64)
    for one, other in ((fields[1:], fields[:-1]), (fields[:, 1:], fields[:, :-1])):
        beside = shade[: one.shape[0], : one.shape[1]]
        for a, b in ((one, other), (other, one)):
            ends = (a > 0) & (b == 0)
            rim += np.bincount(a[ends], minlength=count)
            lined += np.bincount(a[ends], beside[ends], count).astype(np.int64)
    found = lined >= LINED * np.maximum(rim, 1)
    found[0] = False
    return np.asarray(found)


def _asked(fields: Labels, places: Sequence[tuple[int, int]]) -> Mask:
    """(n + 1,) the fields at (row, col) cells."""
    found = np.zeros(int(fields.max()) + 1, bool)
    at: Ints = np.array([fields[min(r, len(fields) - 1), min(c, fields.shape[1] - 1)] for r, c in places], np.int64)
    found[at] = True
    found[0] = False
    return found
