"""I keep the plan of a join and what its survey told, for a run that goes on where this one stopped.

In: a plan and its record, or the path they were kept at. Out: one kept file; both again, or nothing that is doubtful.
"""

from __future__ import annotations

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
from stitchbed.mosaic.hints.showing import Shown
from stitchbed.mosaic.result.trees import flat, grown
from stitchbed.mosaic.survey.context import Kind
from stitchbed.reading.base.tile import Tile

# all that arrays or a record of another make can raise while they are put together
NOT_OURS = (OSError, ValueError, KeyError, IndexError, TypeError, EOFError, zipfile.BadZipFile)


def keep_plan(path: Path, job: str, made: tuple[Plan, Shown], about: Mapping[str, Any]) -> dict[str, Any]:
    """Keep all at `path`; returns the record as it will be read again.

    made : the plan, and what it takes to show a piece elsewhere. job : fingerprint of inputs, settings and version.

    Raises
    ------
    OSError : no room, no folder.
    """
    plan, spare = made
    told = {**about, "placed": [tile.name for tile in plan.tiles], "paper": plan.paper}
    told |= {"alpha": plan.alpha, "channels": plan.channels}
    words = json.dumps(plain(told), allow_nan=False).encode()
    arrays = io.BytesIO()
    np.savez(arrays, **packed(plan), **flat(spare, "spare"))  # type: ignore[arg-type]
    keep(path, {"job": job, "holds": "plan", "words": len(words)}, [words, arrays.getvalue()])
    again: dict[str, Any] = json.loads(words)
    return again


def rows_mark(job: str, plan: Plan, codec: str) -> str:
    """What all rows of a job go by: inputs and settings, and how they are packed; `block_mark` tells the rest."""
    kind = (plan.canvas.height, plan.canvas.width, plan.channels, plan.dtype, plan.alpha, plan.paper)
    return fingerprint(job, kind, codec)


def kept_plan(path: Path, job: str, tiles: Sequence[Tile], kind: Kind) -> tuple[Plan, Shown, dict[str, Any]] | None:
    """Plan, what goes with it, and record of an earlier run of the same job; None when not whole or of another."""
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
            spare: Shown = grown(Shown, dict(arrays), "spare")
            return unpacked(dict(arrays), kept, said), spare, about
    return None
