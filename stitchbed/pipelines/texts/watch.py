"""I say in words what came into a watched folder.

In: what `watch` tells. Out: lines for a shell.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

VERDICTS = {"good": "good", "usable": "can be used", "redo": "SCAN AGAIN"}


def arrival(told: Mapping[str, Any]) -> str:
    """A line for each new piece, with what is wrong and what to change; then what comes next."""
    record = told["record"]
    rows = {row["path"].rpartition("/")[2]: row for row in map(_with_path, record.get("pieces", ()))}
    islands = {row["tile"]: row["island"] for row in record.get("placements", ())}
    lines = []
    for name in told["new"]:
        row = rows.get(name)
        if row is None:
            lines.append(f"{name}: cannot be read; scan or copy it again")
            continue
        lines.append(f"{name}: {VERDICTS[row['verdict']]}{_place(islands.get(row['name']), len(islands))}")
        lines += [f"  {one['why']}: {one['change']}" for one in row["findings"] if one["level"] != "note"]
    if told["next"]:
        lines.append(f"{told['next']['words']}.")
    return "\n".join(lines)


def _place(island: int | None, count: int) -> str:
    if count < 2:
        return ""
    return ", and fits" if island == 0 else ", but finds NO PLACE beside the others: does it overlap one by a fifth?"


def _with_path(row: Mapping[str, Any]) -> dict[str, Any]:
    return {**row, "path": str(row["path"]).replace("\\", "/")}
