"""I come to the plan of a join: from what an earlier run left, or by a survey now; then what is to be shown where.

In: a context, the job folder. Out: the plan and what is told of it. What hints on what is shown change is no part of
what is kept: a polygon more or less redoes neither the survey nor the seams elsewhere.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.hints.showing import Shown, shown_as_said
from stitchbed.mosaic.result.kept_looks import look_again
from stitchbed.mosaic.result.plan_file import keep_plan, kept_plan
from stitchbed.mosaic.result.record import survey_record
from stitchbed.mosaic.result.uncovered import settled_outside
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.survey import Looked, laid_out, look, surveyed


def planned(
    context: SurveyContext, at: tuple[Path, str], outside: str, *, by_hand: bool
) -> tuple[Plan, dict[str, Any]]:
    """The plan and its record.

    at : folder of the job, fingerprint of all that the plan depends on, hints on what is shown apart. outside : see
    `settled_outside`. by_hand : keep what was looked at, for hints that come next.

    Raises
    ------
    StitchbedError : see `survey`.
    """
    folder, job = at
    saved = folder / f"{job[:16]}.plan"
    kept = kept_plan(saved, job, context.tiles, context.kind)
    if kept is None:
        looked = looked_at(context, folder, by_hand=by_hand)
        found = surveyed(context, looked, *laid_out(context, looked))
        plan, numbers, words = settled_outside(found, outside)
        about = survey_record(found, plan)
        about |= {"outside": numbers, "warnings": [*found.warnings, *words]}
        spare = Shown(found.lifts, found.levels, found.marks)
        about = keep_plan(saved, job, (plan, spare), about)
    else:
        plan, spare, about = kept
    placed = {tile.name: tile for tile in context.tiles}
    on_plan = replace(context, tiles=tuple(placed[tile.name] for tile in plan.tiles))
    plan, rows, words = shown_as_said(on_plan, plan, spare)
    return plan, {**about, "hints": [*about["hints"], *rows], "warnings": [*about["warnings"], *words]}


def looked_at(context: SurveyContext, folder: Path, *, by_hand: bool) -> Looked:
    """What the pieces show; kept where a person lays them out by hand."""
    return look_again(context, folder) if by_hand else look(context)
