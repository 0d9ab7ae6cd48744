"""I say where pieces lie by the best that is known: the last join, the last placing, or the last check.

In: how the steps stand, what was kept of the last placing, what was said of pieces since. Out: a record with places,
and what it does not know yet.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stitchbed.core.record import found_notes

MADE = ("done", "changed by hand since, kept")  # states of a step whose record speaks of the job as it is
Record = Mapping[str, Any]


@dataclass(frozen=True)
class Known:
    """record : with `placements` (canvas_from_tile 3x3 px) and `canvas`. fresh : by all that was said so far.

    unsaid : hints (kind, entry) that were said since. canvas : the picture that was joined so, None of a mere placing.
    """

    record: Record
    fresh: bool
    unsaid: tuple[tuple[str, Mapping[str, Any]], ...] = ()
    canvas: Path | None = None

    def told(self) -> dict[str, Any]:
        """Pieces with a place, and those beside the largest island."""
        placed = self.record["placements"]
        islands = [set(one) for one in self.record.get("islands") or [[row["tile"] for row in placed]]]
        return {"placements": placed, "alone": [row["tile"] for row in placed if row["tile"] not in islands[0]]}


def best_known(
    rows: Sequence[Mapping[str, Any]], kept: Mapping[str, Any] | None, marks: tuple[str, str], said: object
) -> Known | None:
    """What speaks of the job as it is, else of just these pieces; None where neither does.

    rows : how the steps stand. kept : of the last placing. marks : of the pieces; of them and all that was said.
    said : the table [join.hints].
    """
    joined = next((row for row in rows if row["step"] == "join" and row["outputs"]), None)
    canvas = None if joined is None else Path(joined["outputs"][0])
    if joined is not None and canvas is not None and joined["state"] in MADE:
        record = record_of(canvas)
        if record.get("placements") and record.get("canvas"):
            return Known(record, True, (), canvas)
    if kept is None or kept.get("pieces") != marks[0]:
        return None
    fresh = kept["mark"] == marks[1]
    return Known(kept["record"], fresh, () if fresh else _since(said, kept.get("said")))


def placing_of(record: Record | None) -> dict[str, Any] | None:
    """Where pieces lie by a check, and which have no place beside the others."""
    if record is None or "placements" not in record:
        return None
    alone = [row["tile"] for row in record["placements"] if row["island"] > 0]
    return {"placements": record["placements"], "alone": alone}


def record_of(path: Path) -> dict[str, Any]:
    """What is told of a result; {} where nothing is."""
    with suppress(OSError, ValueError):
        content = json.loads(found_notes(path).read_text(encoding="utf-8"))
        if isinstance(content, dict):
            return content
    return {}


def entries_of(said: object) -> list[tuple[str, Mapping[str, Any]]]:
    """(kind, entry) of all that a table [join.hints] says as tables."""
    table = said if isinstance(said, Mapping) else {}
    every = [(kind, one) for kind, entries in table.items() if isinstance(entries, list) for one in entries]
    return [(kind, one) for kind, one in every if isinstance(one, Mapping)]


def _since(now: object, then: object) -> tuple[tuple[str, Mapping[str, Any]], ...]:
    before = entries_of(then)
    return tuple(one for one in entries_of(now) if one not in before)
