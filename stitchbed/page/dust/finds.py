"""I am the table of everything on a page that could be dust, and what is done with such tables.

In: columns measured by `candidates`. Out: tables moved and put together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats, Labels, Mask

ALONE, GRAY, HOLE, FIBER = 0, 1, 2, 3
HOLE_PX = 2  # a single pixel of paper within a pale grain is noise


@dataclass(frozen=True)
class Finds:
    """Measured candidates, one row each.

    kind : ALONE, GRAY, HOLE or FIBER. row, col : center px. size : mm, diameter of a disc of solid ink as dark in sum.
    peak : largest amount of ink (of light, in a hole). shape : peak over that of a solid disc of `size` seen through
    the same optics: about 1 for drawn dots, less for grays and rags. alone : share of the peak no stroke explains; of a
    hole 1 when it lies deep in solid ink, else 0.
    gray : ink that black and white cannot explain, in units of the blur's area. extent : mm, longest side at half peak.
    hue : 0 neutral .. 1 one channel only. host : `shape` of the ALONE find a GRAY one lies in, or 0.
    bare : share of what lies within BARE_MM of an ALONE find that is paper, the find itself left out.
    kin : mm of pale strokes about as dark as a find and near it, but for holes, as of a pencil's writing.
    shut : of a GRAY find, how much darker than it the ink on all sides of it is: a light mark in ink, blurred, or dust
    in one.
    dark, gain : darkness 0..1 fitted to a small lone mark, and how much better it fits than solid ink: half the drop of
    chi squared (`solidity`); 1 and 0 where that was not asked. width : mm, of the stroke of solid ink that would look
    most like it; `size` where that was not asked. beside : the darkest ink that touches it and is not its own, as it is
    beside the end of a stroke, or what lies against one. spread : (n, 7), see `spread`. Both 0 where not asked.
    stroke : (n, 7) of a FIBER find, see `fibers`; 0 of others.
    owner, rows, cols : (m,) pixels with the row number of their find.
    """

    kind: NDArray[np.int8]
    row: Floats
    col: Floats
    size: Floats
    peak: Floats
    shape: Floats
    alone: Floats
    gray: Floats
    extent: Floats
    hue: Floats
    host: Floats
    kin: Floats
    bare: Floats
    shut: Floats
    dark: Floats
    gain: Floats
    width: Floats
    beside: Floats
    spread: Floats
    stroke: Floats
    owner: Labels
    rows: Labels
    cols: Labels


def moved(finds: Finds, rows: int, cols: int) -> Finds:
    """The finds with `rows`, `cols` px added to every place."""
    return replace(
        finds,
        row=finds.row + np.float32(rows),
        col=finds.col + np.float32(cols),
        rows=finds.rows + np.int32(rows),
        cols=finds.cols + np.int32(cols),
    )


def joined(parts: Sequence[Finds]) -> Finds:
    """All parts in one table."""
    starts = np.cumsum([0, *(len(p.kind) for p in parts)]).tolist()
    shifted = [replace(p, owner=p.owner + np.int32(s)) for p, s in zip(parts, starts[:-1], strict=True)]
    return Finds(**{f.name: np.concatenate([getattr(p, f.name) for p in shifted]) for f in fields(Finds)})


def closed(finds: Finds, which: Mask) -> Mask:
    """(n,) those of `which` that close in HOLE_PX px and more: rings and letters, and no grain of dust is one."""
    told = np.zeros(len(finds.kind), bool)
    mine = np.flatnonzero(which[finds.owner])
    mine = mine[np.argsort(finds.owner[mine], kind="stable")]
    begins = np.flatnonzero(np.diff(finds.owner[mine], prepend=-1))
    for part in np.split(mine, begins[1:]) if len(begins) else ():
        row, col = (at[part] - at[part].min() + 1 for at in (finds.rows, finds.cols))
        bare = np.ones((int(row.max()) + 2, int(col.max()) + 2), np.uint8)
        bare[row, col] = 0
        count, _, stats, _ = cv2.connectedComponentsWithStats(bare, connectivity=4)
        shut = count > 2 and int(np.sort(stats[1:, cv2.CC_STAT_AREA])[-2]) >= HOLE_PX
        told[finds.owner[part[0]]] = shut
    return told
