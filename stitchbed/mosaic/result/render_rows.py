"""I tell the second half of a join: render the plan row by row, keep what is whole, assemble the master.

In: a plan and a shelf. Out: the finished file. A job that was stopped goes on after its last whole row.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import cv2

from stitchbed.finishing.rows import EncodedBlock, row_path, write_row
from stitchbed.imaging.box import Box, clipped
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.render import render_block
from stitchbed.mosaic.compositing.tile_layer import Source
from stitchbed.mosaic.survey.context import Progress
from stitchbed.output.tiff_master import BLOCK, MasterSpec, encode_block, row_count

Item = TypeVar("Item")
Result = TypeVar("Result")


def spec_of(plan: Plan, codec: str) -> MasterSpec:
    """The master file a plan asks for."""
    c = plan.canvas
    return MasterSpec(c.height, c.width, plan.channels, plan.dtype, plan.alpha, c.dpi, plan.icc, codec)


def render_rows(plan: Plan, source: Source, spec: MasterSpec, *, folder: Path, workers: int, progress: Progress) -> int:
    """Render every row of blocks not yet in `folder`; returns how many were there already."""
    folder.mkdir(parents=True, exist_ok=True)
    missing = [row for row in range(row_count(spec)) if not row_path(folder, row).exists()]
    boxes = [(row, Box(row * BLOCK, col, BLOCK, BLOCK)) for row in missing for col in range(0, spec.width, BLOCK)]
    bounds = Box(0, 0, spec.height, spec.width)

    def one(item: tuple[int, Box]) -> tuple[int, EncodedBlock]:
        row, box = item
        return row, encode_block(render_block(plan, source, clipped(box, bounds)), spec)

    line: list[EncodedBlock] = []
    across = -(-spec.width // BLOCK)
    with single_threaded_opencv():
        for row, block in in_order(one, boxes, workers):
            line.append(block)
            if len(line) == across:
                write_row(folder, row, line)
                line = []
                progress("rendering", row + 1, row_count(spec))
    return row_count(spec) - len(missing)


def in_order(work: Callable[[Item], Result], items: Iterable[Item], workers: int) -> Iterator[Result]:
    """Results in the order of `items`, `workers` at a time, never more than a few finished and waiting."""
    waiting: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        try:
            for item in items:
                waiting.append(pool.submit(work, item))
                if len(waiting) > 2 * workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


@contextmanager
def single_threaded_opencv() -> Iterator[None]:
    """The blocks run in parallel already: OpenCV's own threads would only get in their way."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)
