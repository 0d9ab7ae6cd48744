"""I say before the work whether there is room for it.

In: the master to be made. Out: nothing, or an error while nothing is lost yet.
"""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np

from stitchbed.core.errors import CannotWrite, CanvasTooLarge
from stitchbed.core.files import cannot_write
from stitchbed.output.png_jpeg import FLAT_KINDS, LIMITS
from stitchbed.output.tiff_master import BLOCK, MasterSpec

# noisy paper packs to about half in 8 bits and hardly at all in 16; rows and master stand side by side for a moment
ROW_SHARE = 0.5  # of the memory, for one row of blocks and the blocks that are made for it meanwhile
PACKED = {"uint8": 0.75, "uint16": 1.0}


def demand_room(spec: MasterSpec, output: Path, memory: int) -> None:
    """Check limits of the format, memory for one row of blocks or for formats written in one go, and free disk.

    Raises
    ------
    CanvasTooLarge : past the format's sides or the memory budget. CannotWrite : the disk is too full.
    """
    kind = output.suffix.lower()
    line = spec.width * spec.samples * np.dtype(spec.dtype).itemsize
    if kind in FLAT_KINDS:
        _demand_flat(spec, kind, line * spec.height, memory)
    if ROW_SHARE * memory < line * min(BLOCK, spec.height):
        raise CanvasTooLarge(
            f"a picture {spec.width} px wide, of which {line * BLOCK / 2**20:.0f} MiB are packed at a time",
            expected=f"at most {ROW_SHARE * memory / 2**20:.0f} of the {memory / 2**20:.0f} MiB to work in",
            attempt=f"--memory {math.ceil(line * BLOCK / ROW_SHARE / 2**20)}MiB, or less dpi",
        )
    packed = 1.0 if spec.codec == "none" else PACKED[spec.dtype]
    demand_free(output, int(line * spec.height * packed * 4 / 3 * 2), "the rows and the master")


def demand_free(output: Path, needed: int, what: str) -> None:
    """Check that the disk `output` is to lie on has `needed` bytes for it.

    Raises
    ------
    CannotWrite : it has less, or cannot be looked at.
    """
    try:
        free = shutil.disk_usage(output.parent).free
    except OSError as error:
        raise cannot_write(output, error) from error
    if free < needed:
        raise CannotWrite(
            f"{free / 2**30:.1f} GiB free where {output.name} is to go",
            expected=f"about {needed / 2**30:.1f} GiB for {what}",
            attempt="making room, or a folder on another disk with -o",
        )


def _demand_flat(spec: MasterSpec, kind: str, raw: int, memory: int) -> None:
    limit = LIMITS[kind]
    if max(spec.height, spec.width) > limit:
        raise CanvasTooLarge(
            f"a canvas of {spec.width} x {spec.height} px",
            expected=f"at most {limit} px per side in a {kind} file",
            attempt="-o with a name that ends in .tif, which has no such limit",
        )
    if 2 * raw > memory:
        raise CanvasTooLarge(
            f"a {kind} file of {raw / 2**20:.0f} MiB of pixels, which has to be written in one go",
            expected=f"at most half of the memory to work in ({memory / 2**20:.0f} MiB)",
            attempt="-o with a name that ends in .tif, which is written in parts, or more --memory",
        )
