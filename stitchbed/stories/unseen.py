"""I settle what becomes of places no piece has seen, and say so.

In: a survey and the user's wish. Out: the plan with alpha or with a paper color, and words for the record.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from stitchbed.joining.paper import paper_color, unseen
from stitchbed.joining.plan import Plan
from stitchbed.stories.survey import Survey

SLIVER_MM = 20.0  # a rim this narrow is what slightly askew pieces leave round a sheet
SLIVER_SHARE = 0.06


def settled_outside(found: Survey, wish: str) -> tuple[Plan, dict[str, Any], list[str]]:
    """The plan with `paper` set or not; numbers; warnings. wish : "auto", "alpha" or "paper"."""
    plan = found.plan
    share, width = unseen(plan.places, plan.canvas, plan.seams)
    sliver = width <= SLIVER_MM and share <= SLIVER_SHARE
    fill = wish == "paper" or (wish == "auto" and sliver)
    numbers = {"unseen_share": round(share, 5), "widest_mm": round(width, 2), "filled_with_paper": fill}
    if fill:
        plan = replace(plan, paper=paper_color(found.smalls, plan.levels, plan.channels))
    if share == 0:
        return plan, numbers, []
    how = "filled with the paper's color (--outside alpha leaves it clear)" if fill else "left transparent"
    return plan, numbers, [
        f"{100 * share:.2f} % of the canvas, at most {width:.0f} mm wide, was seen by no piece and is {how}"
    ]
