"""I tell the second half of a join: render the plan row by row, keep what is whole, assemble the master.

In: a plan and a shelf. Out: the finished file. A job that was stopped goes on after its last whole row; one whose plan
changed in places renders the blocks there anew and takes the others as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from stitchbed.core.progress import Progress
from stitchbed.imaging.box import Box, clipped
from stitchbed.imaging.parallel import in_order, single_threaded_opencv
from stitchbed.mosaic.compositing.plan import Plan, piece_marks
from stitchbed.mosaic.compositing.render import block_mark, render_block
from stitchbed.mosaic.compositing.tile_layer import Source
from stitchbed.output.tiff_master import (
    BLOCK,
    EncodedBlock,
    MasterSpec,
    encode_block,
    kept_marks,
    read_blocks,
    row_count,
    row_is_kept,
    write_row,
)


def spec_of(plan: Plan, codec: str) -> MasterSpec:
    """The master file a plan asks for."""
    c = plan.canvas
    return MasterSpec(c.height, c.width, plan.channels, plan.dtype, plan.alpha, c.dpi, plan.icc, codec)


@dataclass(frozen=True)
class Rendered:
    """rows : taken whole from an earlier run. blocks : rendered now, of `every` in all."""

    rows: int
    blocks: int
    every: int


def render_rows(
    plan: Plan, source: Source, spec: MasterSpec, *, folder: Path, job: str, workers: int, progress: Progress
) -> Rendered:
    """Render every block of `job` that is not yet in `folder` as the plan wants it, row by row."""
    folder.mkdir(parents=True, exist_ok=True)
    count, across = row_count(spec), -(-spec.width // BLOCK)
    pieces = piece_marks(plan)
    wanted = {row: [block_mark(plan, pieces, box) for box in _boxes(spec, row)] for row in range(count)}
    there = {row: kept_marks(folder, row) for row in range(count) if row_is_kept(folder, row, job)}
    stale = {
        (row, col) for row in range(count) for col in range(across)
        if row not in there or there[row][col : col + 1] != wanted[row][col : col + 1]
    }  # fmt: skip
    missing = [row for row in range(count) if any((row, col) in stale for col in range(across))]
    bounds = Box(0, 0, spec.height, spec.width)

    def one(at: tuple[int, int]) -> EncodedBlock:
        box = Box(at[0] * BLOCK, at[1] * BLOCK, BLOCK, BLOCK)
        return encode_block(render_block(plan, source, clipped(box, bounds)), spec)

    with single_threaded_opencv():
        made = in_order(one, sorted(stale), workers)
        for row in missing:
            line = read_blocks(folder, row, spec) if any((row, col) not in stale for col in range(across)) else []
            line = [next(made) if (row, col) in stale else line[col] for col in range(across)]
            write_row(folder, row, line, job, wanted[row])
            progress("rendering", row + 1, count)
    return Rendered(count - len(missing), len(stale), count * across)


def _boxes(spec: MasterSpec, row: int) -> list[Box]:
    return [Box(row * BLOCK, col, BLOCK, BLOCK) for col in range(0, spec.width, BLOCK)]
