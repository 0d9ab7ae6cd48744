"""I settle what becomes of places no piece has seen, and say so.

In: a survey and the user's wish. Out: the plan with an alpha channel or without, and words for the record.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from stitchbed.joining.paper import paper_color, unseen
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.survey.survey import Survey


def settled_outside(found: Survey, wish: str) -> tuple[Plan, dict[str, Any], list[str]]:
    """The plan with `alpha` and `paper` set; numbers; warnings. wish : "alpha" or "paper".

    A canvas that is seen all over gets no alpha channel. A gray one that needs alpha becomes RGB with alpha (if no
    gray profile forbids it): hardly any program reads gray with alpha.
    """
    plan = found.plan
    share, width = unseen(plan.places, plan.canvas, plan.seams)
    alpha = wish == "alpha" and (share > 0 or any(tile.raster.alpha for tile in plan.tiles))
    promoted = alpha and plan.channels == 1 and plan.icc is None
    channels = 3 if promoted else plan.channels
    paper = paper_color(found.smalls, plan.levels, plan.channels)
    plan = replace(plan, alpha=alpha, channels=channels, paper=paper * (channels // len(paper)))
    numbers = {"unseen_share": round(share, 5), "widest_mm": round(width, 2)}
    words = []
    if share > 0:
        how = "left transparent (--outside paper fills it)" if alpha else "filled with the paper's color"
        words.append(
            f"{100 * share:.2f} % of the canvas, up to {width:.0f} mm from what is seen, "
            f"was seen by no piece and is {how}"
        )
    if promoted:
        words.append(
            "gray pieces are written as RGB, because few programs read gray with transparency "
            "(--outside paper stays gray)"
        )
    return plan, numbers, words
