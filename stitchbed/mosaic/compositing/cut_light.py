"""I tell where the canvas shows light that its piece cut off, while neighbors show that there was more.

In: pieces on the canvas, their small pictures, levels, seams. Out: places, and words.

A piece scanned too light has no tones left where it is white. Where another piece sees such a place it is taken from
there; where none does, the canvas has one flat tone instead of what is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.memory import late
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, clipped, shifted
from stitchbed.imaging.sample import sample
from stitchbed.mosaic.compositing.seams import SeamMap, cells_of
from stitchbed.mosaic.photometry.gain_compensation import Level, leveled_at
from stitchbed.mosaic.photometry.overlap_samples import Small
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement, edge_distance

ndimage = late("scipy.ndimage")

SHUT = 0.3  # share of clipped light in a cell from which its tone is lost
LOST = 0.05  # log light that neighbors have more, from which it is told: some 2 CIE dE2000 of light paper
LEAST_SQUARE_MM = 100.0  # of overlap that tells, and of canvas that is told


@dataclass(frozen=True)
class CutLight:
    """Where a piece (number) shows light that was cut off: square_mm in all, x, y canvas px of the middle of its
    largest part."""

    piece: int
    square_mm: float
    x: float
    y: float


@dataclass(frozen=True)
class _Look:
    """A piece on its part (h, w) of the seams' grid: cells it sees, log light (h, w, c), and where that was cut off."""

    box: Box
    sees: Mask
    logs: Array
    shut: Mask


def cut_light(
    places: Sequence[Placement], smalls: Sequence[Small], levels: Sequence[Level], seams: SeamMap, canvas: Canvas
) -> list[CutLight]:
    """The pieces whose cut-off light the canvas shows, of those that neighbors show to have lost some."""
    if not any((small.shut > SHUT).any() for small in smalls):
        return []
    looks = [_look(*one, seams, canvas) for one in zip(places, smalls, levels, strict=True)]
    cell_mm = seams.cell / canvas.dpi * MM_PER_INCH
    found = []
    for i, look in enumerate(looks):
        shown = look.shut.any(-1) & (seams.labels[look.box.slices] == i)
        if shown.sum() * cell_mm**2 < LEAST_SQUARE_MM or _lost(i, looks, cell_mm) < LOST:
            continue
        parts, count = ndimage.label(ndimage.binary_dilation(shown, iterations=2))
        largest = 1 + int(np.argmax(ndimage.sum_labels(shown, parts, np.arange(1, count + 1))))
        rows, cols = np.nonzero(shown & (parts == largest))
        corner = look.box.col, look.box.row
        x, y = (float(np.median(at) + start + 0.5) * seams.cell for at, start in zip((cols, rows), corner, strict=True))
        found.append(CutLight(i, float(shown.sum()) * cell_mm**2, x, y))
    return found


def cut_light_words(found: Sequence[CutLight], names: Sequence[str], canvas: Canvas) -> list[str]:
    """A line that names the pieces and places."""
    mm = MM_PER_INCH / canvas.dpi
    listed = [
        f"{names[one.piece]} ({max(1, round(one.square_mm / 100))} sq cm, most of it around {one.x * mm:.0f} mm from "
        f"the left, {one.y * mm:.0f} mm from the top)"
        for one in sorted(found, key=lambda one: -one.square_mm)
    ]
    if not listed:
        return []
    return [
        f"light that was cut off at white is shown where no other piece has it: {'; '.join(listed)}; tones are lost "
        "there. Scan these pieces again, darker"
    ]


def _look(place: Placement, small: Small, level: Level, seams: SeamMap, canvas: Canvas) -> _Look:
    height, width = seams.labels.shape
    rows, cols, at = cells_of(place, canvas, seams.cell, (height, width))
    box = Box(rows.start, cols.start, rows.stop - rows.start, cols.stop - cols.start)
    size = (box.height, box.width)
    logs = np.log(np.maximum(leveled_at(level, small, at), 1e-3)).reshape(*size, -1)
    sees = (edge_distance(place.size, at) > small.cell).reshape(size)
    return _Look(box, sees, logs, (sample(small.shut, at, small.cell).reshape(logs.shape) > SHUT) & sees[..., None])


def _lost(index: int, looks: Sequence[_Look], cell_mm: float) -> float:
    """How much more log light others have where a piece's is cut off and theirs is not; 0 where too little tells."""
    own, more = looks[index], [np.zeros(0)]
    for k, other in enumerate(looks):
        common = clipped(own.box, other.box)
        if k == index or common.empty:
            continue
        mine, its = (shifted(common, -one.box.row, -one.box.col).slices for one in (own, other))
        tells = own.shut[mine] & (other.sees[its][..., None] & ~other.shut[its])
        more.append((other.logs[its] - own.logs[mine])[tells])
    every = np.concatenate(more)
    return float(np.median(every)) if len(every) * cell_mm**2 >= LEAST_SQUARE_MM else 0.0
