"""I say what the pieces looked at so far cover of the sheet, and what to scan next.

In: the record of a check, the pieces in the order they came, sizes of sheet and bed. Out: words, and what to draw.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import MM_PER_INCH, size_mm
from stitchbed.planning.captures import Size, best_layout
from stitchbed.planning.next_capture import Coverage, Laid, coverage_of, words_of

OVERLAP = 0.2  # of the bed's short side, as `plan` has it


def sizes_of(art: str | None, bed: str | None) -> tuple[Size, Size] | None:
    """(sheet, bed) mm, or None when neither is said.

    Raises
    ------
    BadSettings : only one of them; not a size.
    """
    if art is None and bed is None:
        return None
    if art is None or bed is None:
        raise BadSettings(
            f"{'the bed' if art is None else 'the sheet'} alone",
            expected="both sizes: of the sheet and of what the scanner sees",
            attempt="--art 420x594mm --bed 216x297mm",
        )
    return size_mm(art, option="--art"), size_mm(bed, option="--bed")


def next_of(record: Mapping[str, Any], order: list[str], wanted: tuple[Size, Size] | None) -> dict[str, Any]:
    """What comes next: {} without sizes or places, else words, covered 0..1, and what to draw (mm on the sheet).

    record : of a check. order : paths of pieces as they came.
    """
    found = None if wanted is None else coverage(record, order, wanted)
    if found is None or wanted is None:
        return {}
    return {
        "words": words_of(found),
        "covered": found.covered,
        "art_mm": list(wanted[0]),
        "pieces": [{"name": one.name, "corners": one.corners.tolist()} for one in found.pieces],
        "next": None if found.next is None else [
            found.next.x_mm, found.next.y_mm, found.next.width_mm, found.next.height_mm
        ],
    }  # fmt: skip


def coverage(record: Mapping[str, Any], order: list[str], wanted: tuple[Size, Size]) -> Coverage | None:
    """What the placed pieces cover of the sheet; None while none is placed."""
    names = {row["name"]: str(row["path"]) for row in record.get("pieces", ())}
    placed = [row for row in record.get("placements", ()) if row["island"] == 0 and row["tile"] in names]
    placed.sort(key=lambda row: order.index(names[row["tile"]]) if names[row["tile"]] in order else len(order))
    if not placed:
        return None
    art, bed = wanted
    plan = best_layout(art, bed, overlap_mm=OVERLAP * min(bed))
    return coverage_of([_laid(row, placed[0]) for row in placed], plan, art)


def _laid(row: Mapping[str, Any], first: Mapping[str, Any]) -> Laid:
    """A piece in mm of the first one's picture, by the dpi its file says."""
    home, own = (np.array(one["sheet_from_tile"], np.float64) for one in (first, row))
    motion = np.linalg.inv(home) @ own
    width, height = row["width"] - 1, row["height"] - 1
    corners = np.array([(0, 0, 1), (width, 0, 1), (width, height, 1), (0, height, 1)]) @ motion.T
    turn = float(np.degrees(np.arctan2(motion[1, 0], motion[0, 0])))
    return Laid(row["tile"], corners[:, :2] * MM_PER_INCH / first["dpi"], turn)
