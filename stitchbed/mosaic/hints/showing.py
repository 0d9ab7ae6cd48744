"""I show a piece where a person wants it shown: its cells, its specks, its light, and nothing else of the plan.

In: a plan, what the survey knew besides, hints. Out: the plan with the piece within each polygon, rows and words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Mask
from stitchbed.core.memory import late
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of
from stitchbed.mosaic.compositing.dust_by_overlap import Candidates, find_spots
from stitchbed.mosaic.compositing.lift_compensation import evened, shown_cells
from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.compositing.seams import SeamMap, cells_of
from stitchbed.mosaic.hints.kinds import Show
from stitchbed.mosaic.hints.writing import to_text
from stitchbed.mosaic.photometry.gain_compensation import Level
from stitchbed.mosaic.photometry.lift import Lift
from stitchbed.mosaic.registration.placement import edge_distance, is_barred, to_sheet
from stitchbed.mosaic.survey.context import SurveyContext

draw = late("skimage.draw")


@dataclass(frozen=True)
class Shown:
    """What is needed to show a piece elsewhere, in the order of the plan's tiles: where it lifts, its level before
    lifted light was given back, marks that may be dust."""

    lifts: tuple[Lift, ...]
    levels: tuple[Level, ...]
    marks: tuple[Candidates, ...]


def shown_as_said(context: SurveyContext, plan: Plan, spare: Shown) -> tuple[Plan, list[dict[str, Any]], list[str]]:
    """The plan with all that hints want shown, the later one where two meet; rows for the record; warnings."""
    rows, words = [], []
    names = [place.tile for place in plan.places]
    for one in context.hints.show:
        if one.piece not in names:
            rows.append(_row(one, 0.0, 0.0, False))
            words.append(f"show {to_text(one)}: the piece was not placed")
            continue
        index = names.index(one.piece)
        wanted = _within(one, plan)
        seen = _seen(plan, index, wanted)
        fresh = seen & (plan.seams.labels != index)
        plan = _shown(context, plan, spare, index, fresh)
        area = (plan.seams.cell / plan.canvas.dpi * MM_PER_INCH / 10) ** 2
        rows.append(_row(one, float(fresh.sum()) * area, float(wanted.sum()) * area, bool(seen.any())))
        if not seen.any():
            words.append(f"show {to_text(one)}: the piece sees nothing of this place; nothing was changed")
        elif seen.sum() < 0.98 * wanted.sum():
            share = 100 * seen.sum() / wanted.sum()
            words.append(f"show {to_text(one)}: the piece sees {share:.0f} % of this place; the rest stays as it was")
    return plan, rows, words


def _row(one: Show, changed: float, asked: float, followed: bool) -> dict[str, Any]:
    words = f"{changed:.1f} of {asked:.1f} sq cm are taken from it now"
    return {
        "kind": "show", "text": to_text(one), "followed": followed, "against": not followed, "words": words,
        "moved_px": {}, "neighbors": [],
    }  # fmt: skip


def _within(one: Show, plan: Plan) -> Mask:
    """Cells whose middle lies in the polygon."""
    px = np.array(one.around, np.float64) * plan.canvas.dpi / MM_PER_INCH
    cells = (px + 0.5) / plan.seams.cell - 0.5
    mask: Mask = draw.polygon2mask(plan.seams.labels.shape, cells[:, ::-1])
    return mask


def _seen(plan: Plan, index: int, wanted: Mask) -> Mask:
    """Those of the cells that the piece sees whole."""
    place = plan.places[index]
    rows, cols, at = cells_of(place, plan.canvas, plan.seams.cell, plan.seams.labels.shape)
    inside = (edge_distance(place.size, at) > plan.seams.cell) & ~is_barred(place, at)
    seen = np.zeros_like(wanted)
    seen[rows, cols] = inside.reshape(rows.stop - rows.start, -1)
    return seen & wanted


def _shown(context: SurveyContext, plan: Plan, spare: Shown, index: int, fresh: Mask) -> Plan:
    """The plan with more cells taken from a piece."""
    if not fresh.any():
        return plan
    before = shown_cells(plan.places[index], index, spare.lifts[index], plan.seams)
    seams = SeamMap(np.where(fresh, index, plan.seams.labels).astype(np.uint16), plan.seams.cell)
    lifted = shown_cells(plan.places[index], index, spare.lifts[index], seams)
    levels = list(plan.levels)
    if (lifted & ~before).any():
        levels[index] = evened(spare.levels[index], spare.lifts[index], plan.places[index].size, lifted)
    changed = replace(plan, seams=seams, levels=tuple(levels))
    kept = [spot for spot in plan.spots if not _on(fresh, spot, plan.seams.cell)]
    return replace(changed, spots=(*kept, *_specks(context, changed, spare, index, fresh)))


def _on(fresh: Mask, spot: Spot, cell: int) -> bool:
    row, col = int(spot.y // cell), int(spot.x // cell)
    return 0 <= row < fresh.shape[0] and 0 <= col < fresh.shape[1] and bool(fresh[row, col])


def _specks(context: SurveyContext, plan: Plan, spare: Shown, index: int, fresh: Mask) -> Sequence[Spot]:
    """Dust of the piece on the cells it is shown on now."""
    if not context.settings.find_dust or len(plan.places) < 2:
        return ()
    marks = [Candidates(np.zeros((0, 2)), np.zeros(0), np.zeros(0))] * len(plan.places)
    own = spare.marks[index]
    at = (to_sheet(plan.places[index], own.xy) // plan.seams.cell).astype(int)
    inside = ((at >= 0) & (at < np.array(fresh.shape[::-1]))).all(1)
    on_canvas = np.flatnonzero(inside)
    mine = on_canvas[fresh[at[on_canvas, 1], at[on_canvas, 0]]]
    marks[index] = Candidates(own.xy[mine], own.radius[mine], own.contrast[mine])

    def read(number: int, box: Box) -> NDArray[np.float32]:
        return gray_of(context.shelf.window(context.tiles[number], box))

    wishes = context.settings.specks
    return find_spots(plan.places, marks, spare.lifts, plan.canvas, seams=plan.seams, read=read, settings=wishes)
