"""I say which lines of a drawing close in areas to color: outlines, with their openings closed, and not its tone.

In: where lines are on the small map. Out: walls, the lines that are tone, and all that may part areas.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Bytes
from stitchbed.core.progress import Progress, counted, silent, ticking
from stitchbed.imaging.parallel import in_order
from stitchbed.page.line_art.gaps import BRIDGE, bridges
from stitchbed.page.line_art.hatching import AMID, AT_END, OWN, TURNS, hatching
from stitchbed.page.line_art.marks import dots, marks
from stitchbed.page.line_art.shapes import shape_lines

STRIP, HALO = 1024, 128  # rows looked at together, and round them: more than a stroke of hatching is asked about


@dataclass(frozen=True)
class Outlines:
    """walls : (h, w) 1 on outlines and on bridges over gaps. tone : 1 on hatching, dots, lettering and bridges.

    parting : 1 on all that may part areas: lines without dots, and bridges. series : AMID or AT_END where strokes lie
    in a series, see `hatching`. small : 1 on dots and lettering. ways : bits of `gaps.bridges`.
    """

    walls: Bytes
    tone: Bytes
    parting: Bytes
    series: Bytes
    small: Bytes
    ways: Bytes


def outlines_of(
    line: Bytes, gap_mm: float, cell_mm: float, *, workers: int = 1, progress: Progress = silent
) -> Outlines:
    """The outlines among the lines. line : (h, w) 1 on lines, cells of cell_mm. gap_mm : the widest gap closed."""
    small = marks(line, cell_mm)
    plain = np.asarray(line & ~small, np.uint8)
    step, total = "telling hatching from outlines", 2 * TURNS * _count(line)
    progress(step, 0, total)
    tick = ticking(step, total, progress)
    # strip by strip, the directions of each side by side: strips are few, and would leave threads without work
    strokes = np.concatenate(list(_by_strips(plain, lambda part: hatching(part, cell_mm, tick, workers=workers), 1)))
    drawn = np.asarray(plain & ~(strokes & OWN & ~shape_lines(plain, cell_mm)), np.uint8)
    drawn &= ~marks(drawn, cell_mm)  # what is left of hatching in bits
    both = np.asarray(drawn | (line << 1), np.uint8)  # so that a strip holds all that bridges look at

    def bridged(part: Bytes) -> Bytes:
        return bridges(np.asarray(part & 1, np.uint8), gap_mm, cell_mm, np.asarray(part >> 1, np.uint8))

    ways = np.concatenate(list(counted(_by_strips(both, bridged, workers), "closing gaps", _count(line), progress)))
    closed = np.asarray(ways & BRIDGE, np.uint8)
    parting = (line & ~dots(small, cell_mm)) | closed
    series = np.asarray(strokes & (AMID | AT_END), np.uint8)
    return Outlines(drawn | closed, (line & ~drawn) | closed, parting, series, small, ways)


def _count(line: Bytes) -> int:
    """Of strips."""
    return -(-len(line) // STRIP)


def _by_strips(line: Bytes, work: Callable[[Bytes], Bytes], workers: int) -> Iterator[Bytes]:
    """What `work` makes of the map, a strip at a time."""
    tops = range(0, len(line), STRIP)

    def strip(top: int) -> Bytes:
        first = max(0, top - HALO)
        return work(np.ascontiguousarray(line[first : top + STRIP + HALO]))[top - first :][:STRIP]

    return in_order(strip, tops, workers)
