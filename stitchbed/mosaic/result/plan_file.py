"""I keep the plan of a join and what its survey told, for a run that goes on where this one stopped.

In: a plan and its record, or the path they were kept at. Out: one kept file; both again, or nothing that is doubtful.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from stitchbed.core.kept import keep, kept_bytes
from stitchbed.core.record import fingerprint, plain
from stitchbed.mosaic.compositing.plan import Plan, packed, unpacked
from stitchbed.mosaic.survey.context import Kind
from stitchbed.reading.base.tile import Tile

# all that arrays or a record of another make can raise while they are put together
NOT_OURS = (OSError, ValueError, KeyError, IndexError, TypeError, EOFError, zipfile.BadZipFile)


def keep_plan(path: Path, job: str, plan: Plan, about: Mapping[str, Any]) -> dict[str, Any]:
    """Keep both at `path`; returns the record as it will be read again.

    job : fingerprint of inputs, settings and version.

    Raises
    ------
    OSError : no room, no folder.
    """
    told = {**about, "placed": [tile.name for tile in plan.tiles], "paper": plan.paper}
    told |= {"alpha": plan.alpha, "channels": plan.channels}
    words = json.dumps(plain(told), allow_nan=False).encode()
    arrays = io.BytesIO()
    np.savez(arrays, **packed(plan))  # type: ignore[arg-type]
    keep(path, {"job": job, "holds": "plan", "words": len(words)}, [words, arrays.getvalue()])
    again: dict[str, Any] = json.loads(words)
    return again


def rows_mark(job: str, plan: Plan, codec: str) -> str:
    """What rendered rows go by: the job, the very plan they were rendered from, and how they were packed.

    A plan that had to be made anew is the old one to the bit on the same machine; on another its rows may differ.
    """
    content = hashlib.sha256()
    for name, array in sorted(packed(plan).items()):
        content.update(f"{name} {array.dtype} {array.shape}\n".encode())
        content.update(np.ascontiguousarray(array).tobytes())
    return fingerprint(job, content.hexdigest(), codec)


def kept_plan(path: Path, job: str, tiles: Sequence[Tile], kind: Kind) -> tuple[Plan, dict[str, Any]] | None:
    """Plan and record of an earlier run of the same job, or None when they are not whole or not of this job."""
    found = kept_bytes(path, {"job": job, "holds": "plan"})
    if found is None:
        return None
    head, content = found
    with suppress(*NOT_OURS):
        about = json.loads(content[: head["words"]])
        with np.load(io.BytesIO(content[head["words"] :])) as arrays:
            by_name = {tile.name: tile for tile in tiles}
            kept = tuple(by_name[name] for name in about["placed"])
            said = replace(kind, alpha=about["alpha"], paper=tuple(about["paper"]), channels=about["channels"])
            return unpacked(dict(arrays), kept, said), about
    return None
