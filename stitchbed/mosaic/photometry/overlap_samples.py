"""I look at all tiles at a few millimeters per cell, in linear light, on a common grid of the canvas.

In: small linear pictures of the tiles and where they lie. Out: `Patches`, the raw material for lift and levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.gray import most_of
from stitchbed.imaging.sample import sample
from stitchbed.imaging.transfer import curve_term
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement, from_sheet, is_barred, outline

CLIPPED = 0.985  # light from which a channel tells no tones apart
ROUND = 7  # cells; clipped paper with drawing on it is one place, not many
SOFT = 1.0  # cells; tiles cut a place into cells differently, and bare means of drawing then differ by several percent
ROOM = 2.0  # cells from the outermost ones' edge inside which a soft mean would be one-sided


@dataclass(frozen=True)
class Small:
    """A tile at cell size: light (h, w, c) linear soft means, unrest (h, w) relative spread there, cell px.

    mixed : (h, w, c) what the mixture of tones within a cell adds to `curve_term` of its mean light.
    shut : (h, w, c) share of clipped light in a cell, whose mean is then less than it would be.
    gray : the tile has one channel, repeated here.
    """

    light: Floats
    unrest: Floats
    mixed: Floats
    shut: Floats
    cell: float
    gray: bool = False


@dataclass(frozen=True)
class Seen:
    """What one tile sees of the grid: index (n,) of points, ascending; light (n, C) linear; unrest (n,); mixed (n, C),
    shut (n, C) and gray, see `Small`; at (n, 2) tile px."""

    index: NDArray[np.intp]
    light: Array
    unrest: Array
    mixed: Array
    shut: Array
    at: Array
    gray: bool = False


@dataclass(frozen=True)
class Patches:
    """What every tile sees at the grid points two or more tiles see. xy : (P, 2) canvas px. seen : one per tile."""

    xy: Array
    seen: tuple[Seen, ...]

    @property
    def channels(self) -> int:
        """Of what every tile sees."""
        return int(self.seen[0].light.shape[1])


def small_of(linear: Floats, bent: Floats, reduction: int, cells_px: float) -> Small:
    """Average a linear view (h, w, c) at `reduction` softly into cells of about `cells_px` full-resolution px.

    bent : (h, w, c) light times its `curve_term`.
    """
    step = max(1, round(cells_px / reduction))
    h, w = max(1, linear.shape[0] // step), max(1, linear.shape[1] // step)
    crop, bent = linear[: h * step, : w * step], bent[: h * step, : w * step]
    mean, square = _soft_cells(crop, (w, h)), _soft_cells(crop * crop, (w, h))
    spread = np.sqrt(np.maximum(square - mean * mean, 0)).mean(2) / np.maximum(mean.mean(2), 1e-3)
    mixed = _soft_cells(bent, (w, h)) / np.maximum(mean, 1e-4) - curve_term(mean)
    shut = _soft_cells((crop > CLIPPED).astype(np.float32), (w, h))
    return Small(mean, spread.astype(np.float32), mixed.astype(np.float32), shut, float(step * reduction))


def _soft_cells(picture: Floats, size: tuple[int, int]) -> Floats:
    """(h, w, c) Gaussian means of area-averaged cells; size is (w, h)."""
    cells = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(cells, (0, 0), SOFT, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(soft, np.float32).reshape(size[1], size[0], -1)


def clipped_share(small: Small) -> tuple[Floats, float]:
    """((h, w) share 0..1 of clipped cells round each cell of a tile, px of a cell)."""
    white = (most_of(small.light) > CLIPPED).astype(np.float32)
    share = cv2.blur(white, (ROUND, ROUND), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(share, np.float32), small.cell


def look(
    places: Sequence[Placement], smalls: Sequence[Small], canvas: Canvas, spacing_mm: float, most: int = 24000
) -> Patches:
    """Sample all tiles (`places` on the canvas) on a grid of the canvas; only points two tiles see are kept.

    spacing_mm : of the grid; wider where the canvas would have more than `most` points.
    """
    scale = canvas.dpi / MM_PER_INCH
    spacing = max(spacing_mm * scale, float(np.sqrt(canvas.height * canvas.width / most)))
    xs, ys = np.arange(spacing / 2, canvas.width, spacing), np.arange(spacing / 2, canvas.height, spacing)
    xy = np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2)
    found = [_under(place, small, xy) for place, small in zip(places, smalls, strict=True)]
    count = np.bincount(np.concatenate([index for index, _ in found]), minlength=len(xy))
    number = np.cumsum(count >= 2) - 1
    seen = []
    for (index, at), small in zip(found, smalls, strict=True):
        shared = count[index] >= 2
        here = at[shared]
        light, mixed, shut = (sample(part, here, small.cell) for part in (small.light, small.mixed, small.shut))
        unrest = sample(small.unrest[..., None], here, small.cell)[:, 0]
        seen.append(Seen(number[index[shared]], light, unrest, mixed, shut, here, small.gray))
    return Patches(xy[count >= 2], tuple(seen))


def in_all(off: Array) -> Array:
    """(...) the least of how far channels (..., C) are off, where all are off the same way; 0 elsewhere.

    So a gray look and a colored one are compared: gray may be any mixture of the channels.
    """
    least = np.take_along_axis(off, np.abs(off).argmin(-1)[..., None], -1)[..., 0]
    one_way = np.abs(np.sign(off).sum(-1)) == off.shape[-1]
    result: Array = np.where(one_way, least, 0.0)
    return result


def _under(place: Placement, small: Small, xy: Array) -> tuple[NDArray[np.intp], Array]:
    """Indices of the points whose soft cell lies in the tile, and where there (n, 2) px."""
    corners = outline(place)
    near = np.flatnonzero((xy >= corners.min(0)).all(1) & (xy <= corners.max(0)).all(1))
    at = from_sheet(place, xy[near])
    h, w = small.light.shape[:2]  # whole cells only, and so up to a cell less than the tile
    end, room = np.array([w, h]) * small.cell - 1, ROOM * small.cell
    inside = ((at > room) & (at < end - room)).all(1) & ~is_barred(place, at)
    return near[inside], at[inside]
