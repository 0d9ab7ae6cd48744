"""I find the areas that the lines of a drawing close in, and join what is one of them.

In: where lines are on the small map. Out: the same map, a number for each area.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from stitchbed.core.arrays import Bytes, Labels
from stitchbed.core.errors import BadSettings
from stitchbed.core.progress import Progress, counted, silent, ticking
from stitchbed.page.line_art.merging.rounds import TICKS, join_strokes
from stitchbed.page.line_art.outlines import outlines_of
from stitchbed.page.line_art.regions import find_regions
from stitchbed.page.line_art.slivers import join_cells
from stitchbed.page.line_art.spread import spread_under
from stitchbed.page.line_art.wedges import join_open, join_wedges

NECK_MM = 0.5  # narrower than a passage anyone draws; a ball as wide goes no further, whatever the stroke ends say
REGION_BYTES = 800  # of memory a region with its neighbors takes while regions are joined, measured
WEIGHED_BYTES = 4000  # and while its borders are weighed, about three a region, sixty numbers each kept twice


def closed_areas(
    free: Bytes,
    cell: float,
    smallest: int,
    *,
    gap: float,
    every_line: bool,
    memory: int,
    workers: int,
    progress: Progress = silent,
) -> Labels:
    """(h, w) areas between outlines, also under lines; where every line counts, between all lines.

    free : (h, w) 1 where no line is, cells of `cell` mm. smallest : cells; smaller areas join a neighbor. gap : mm, the
    widest opening that is closed.

    Raises
    ------
    BadSettings : more areas than memory can join.
    """
    if every_line:
        labels = find_regions(free, max(1, int(np.ceil(gap / cell / 2))), progress=progress)
        _demand_drawing(labels, memory)
        spread_under(labels)
        return labels
    drawn = outlines_of(1 - free, gap, cell, workers=workers, progress=progress)
    labels = find_regions(1 - drawn.parting, neck(gap, cell), progress=progress)
    weighed = bool((drawn.tone & (1 - free)).any()) and int(labels.max()) * WEIGHED_BYTES <= memory
    if not weighed:
        labels = find_regions(1 - drawn.walls, neck(gap, cell), progress=progress)
    _demand_drawing(labels, memory)
    spread_under(labels)
    told = "joining what is one area"
    if weighed:
        progress(told, 0, TICKS)
        tick = ticking(told, TICKS, progress)
        join_strokes(labels, free, drawn, smallest, cell, workers=workers, tick=tick)
        progress(told, TICKS, TICKS)
        return labels
    steps: tuple[Callable[[], None], ...] = (
        lambda: join_cells(labels, free, drawn.tone, smallest, cell),
        lambda: join_wedges(labels, free, drawn.tone, cell),
        lambda: join_open(labels, free, drawn.tone, cell, gap),
    )
    for step in counted(steps, told, len(steps), progress):
        step()
    return labels


def neck(gap: float, cell: float) -> int:
    """Radius, cells, of the ball that goes wherever an area does; see `find_regions`."""
    return max(1, int(np.ceil(min(gap, NECK_MM) / cell / 2)))


def _demand_drawing(labels: Labels, memory: int) -> None:
    """Refuse what closes in more places than memory can join: noise, a halftone, a photograph; no outlines."""
    count = int(labels.max())
    if count * REGION_BYTES > memory:
        raise BadSettings(
            f"lines that close in {count:,} places",
            expected=f"a drawing in outlines: {memory // REGION_BYTES:,} places at most with this memory",
            attempt="lift the lines with `lines` first, or allow more with --memory",
        )
