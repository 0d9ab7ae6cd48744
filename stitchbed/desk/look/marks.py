"""I say where on a piece something is wrong, as far as its findings tell, for marks over its small picture.

In: findings of `check` with their numbers. Out: rectangles as shares of the piece's width and height, with words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from stitchbed.desk.job.pieces import Facts

SIDES = ("left", "top", "right", "bottom")
LEAST = 0.02  # share of a side a mark has at least, or it would not be seen
SOFT = 0.7  # a ninth of the bed this much softer than the piece's own middle is marked where blur was found
BLURS = ("blurred", "soft side", "soft")


def marks_of(findings: Sequence[Mapping[str, Any]], row: Mapping[str, Any], facts: Facts) -> list[dict[str, Any]]:
    """x, y, width, height : shares. words : what is wrong there. level : of the finding."""
    found: list[dict[str, Any]] = []
    for finding in findings:
        places = _places(finding, row["numbers"], facts)
        found += [
            dict(zip(("x", "y", "width", "height"), place, strict=True))
            | {"words": finding["fault"], "level": finding["level"]}
            for place in places
        ]
    return found


def _places(finding: Mapping[str, Any], numbers: Mapping[str, Any], facts: Facts) -> list[tuple[float, ...]]:
    said = finding["numbers"]
    if finding["fault"] == "lifted":
        return [_strip(side, float(said[side]["reach_px"]), facts) for side in SIDES if side in said]
    if finding["fault"] in BLURS:
        return _soft(numbers["sharpness_across"])
    if finding["fault"] == "streak" and facts.width and facts.height:
        across = said["axis"] == "column"
        side = facts.width if across else facts.height
        begins = [px / side - LEAST / 2 for px in said["px"]]
        return [(one, 0, LEAST, 1) if across else (0, one, 1, LEAST) for one in begins]
    if finding["fault"] in ("jump", "moved") and facts.height:
        return [(0, float(said["row"]) / facts.height - LEAST / 2, 1, LEAST)]
    return []


def _strip(side: str, reach: float, facts: Facts) -> tuple[float, ...]:
    """The strip along a side."""
    deep = max(LEAST, min(1.0, reach / max(1, facts.width if side in ("left", "right") else facts.height)))
    return {"left": (0, 0, deep, 1), "right": (1 - deep, 0, deep, 1), "top": (0, 0, 1, deep)}.get(
        side, (0, 1 - deep, 1, deep)
    )


def _soft(across: Sequence[Sequence[float | None]]) -> list[tuple[float, ...]]:
    """The softest ninths of the bed."""
    return [
        (col / 3, row / 3, 1 / 3, 1 / 3)
        for row, line in enumerate(across)
        for col, ratio in enumerate(line)
        if ratio is not None and ratio < SOFT
    ]
