"""I say before the work whether there is room for it.

In: the master to be made. Out: nothing, or an error while nothing is lost yet.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from stitchbed.core.errors import CannotWrite, CanvasTooLarge
from stitchbed.output.png_jpeg import FLAT_KINDS, LIMITS
from stitchbed.output.tiff_master import MasterSpec

# noisy paper packs to about half in 8 bits and hardly at all in 16; rows and master stand side by side for a moment
PACKED = {"uint8": 0.75, "uint16": 1.0}


def demand_room(spec: MasterSpec, output: Path, memory: int) -> None:
    """Check limits of the format, memory for formats written in one go, and free disk.

    Raises
    ------
    CanvasTooLarge : past the format's sides or the memory budget. CannotWrite : the disk is too full.
    """
    kind = output.suffix.lower()
    raw = spec.height * spec.width * spec.samples * np.dtype(spec.dtype).itemsize
    if kind in FLAT_KINDS:
        _demand_flat(spec, kind, raw, memory)
    packed = 1.0 if spec.codec == "none" else PACKED[spec.dtype]
    needed = int(raw * packed * 4 / 3 * 2)
    free = shutil.disk_usage(output.parent).free
    if free < needed:
        raise CannotWrite(
            f"{free / 2**30:.1f} GiB free where {output.name} is to go",
            expected=f"about {needed / 2**30:.1f} GiB for the rows and the master",
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
