"""I tell the second half of a join: render the plan row by row, keep what is whole, assemble the master.

In: a plan and a shelf. Out: the finished file. A job that was stopped goes on after its last whole row.
"""

from __future__ import annotations

from pathlib import Path

from stitchbed.core.progress import Progress
from stitchbed.imaging.box import Box, clipped
from stitchbed.imaging.parallel import in_order, single_threaded_opencv
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.render import render_block
from stitchbed.mosaic.compositing.tile_layer import Source
from stitchbed.output.tiff_master import (
    BLOCK,
    EncodedBlock,
    MasterSpec,
    encode_block,
    row_count,
    row_is_kept,
    write_row,
)


def spec_of(plan: Plan, codec: str) -> MasterSpec:
    """The master file a plan asks for."""
    c = plan.canvas
    return MasterSpec(c.height, c.width, plan.channels, plan.dtype, plan.alpha, c.dpi, plan.icc, codec)


def render_rows(
    plan: Plan, source: Source, spec: MasterSpec, *, folder: Path, job: str, workers: int, progress: Progress
) -> int:
    """Render every row of blocks of `job` that is not yet in `folder`, whole; returns how many were."""
    folder.mkdir(parents=True, exist_ok=True)
    missing = [row for row in range(row_count(spec)) if not row_is_kept(folder, row, job)]
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
                write_row(folder, row, line, job)
                line = []
                progress("rendering", row + 1, row_count(spec))
    return row_count(spec) - len(missing)
