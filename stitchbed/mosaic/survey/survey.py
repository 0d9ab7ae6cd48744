"""I tell the first half of a join: look at all pieces small, measure where it matters, and end in a plan.

In: a `SurveyContext` (tiles, shelf, settings). Out: a `Survey`: the plan, and all that was found out on the way.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from threading import Lock

import numpy as np

from stitchbed.core.record import Record, recording
from stitchbed.matching.pairs import choose
from stitchbed.matching.similarity_links import Link, NoLink
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.told_changes import ChangedPlace
from stitchbed.mosaic.photometry.lift import Lift
from stitchbed.mosaic.photometry.overlap_samples import Small
from stitchbed.mosaic.registration.bundle_adjustment import Alignment
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.registration.pose_graph import Layout
from stitchbed.mosaic.registration.tie_points import Ties
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.judgment import judged_link, pair_scale
from stitchbed.mosaic.survey.layout import one_layout, quarrel_words
from stitchbed.mosaic.survey.plan_making import lifts_at, make_plan
from stitchbed.mosaic.survey.preview import Preview, PreviewStages, look_reductions, preview_of
from stitchbed.mosaic.survey.refine import measure_places
from stitchbed.mosaic.survey.scales import agreed_scales, sheet_dpi


@dataclass(frozen=True)
class Survey:
    """context : of the tiles that were placed. plan : see `Plan`. The rest is for the record."""

    context: SurveyContext
    plan: Plan
    layout: Layout
    no_links: tuple[NoLink, ...]
    alignment: Alignment | None
    ties: Ties | None
    lifts: tuple[Lift, ...]
    smalls: tuple[Small, ...]
    steps: tuple[Record, ...]
    warnings: tuple[str, ...]
    changes: tuple[ChangedPlace, ...] = ()


def survey(context: SurveyContext) -> Survey:
    """From tiles to a plan.

    Raises
    ------
    Disconnected : a piece could not be placed (unless allow_missing). CanvasTooLarge : see `make_canvas`.
    """
    with recording("look", context.settings.preview) as looked:
        previews = preview_all(context)
        looked.numbers = {"points": {g.keypoints.tile: len(g.keypoints.xy) for g in previews}}
    with recording("links", context.settings.links) as linked:
        links, no_links = link_all(context, previews)
        linked.numbers = {"links": len(links), "pairs_compared": len(links) + len(no_links)}
    with recording("layout", context.settings.graph) as laid:
        layout, warnings = one_layout(context, previews, links, no_links)
        laid.numbers = {"placed": len(layout.sheet_from_tile), "dropped": len(layout.dropped)}
    context, previews = _placed_only(context, previews, layout)
    with recording("measure", context.settings.ties) as measured_step:
        home = sheet_dpi(layout, {tile.name: float(dpi) for tile, dpi in zip(context.tiles, context.dpi, strict=True)})
        declared = {tile.name: float(home / dpi) for tile, dpi in zip(context.tiles, context.dpi, strict=True)}
        scales, doubts = agreed_scales(layout, declared)
        context = replace(context, dpi=np.round([home / scales[tile.name] for tile in context.tiles], 9))
        places = [Placement(t.name, t.raster.shape[:2], layout.sheet_from_tile[t.name]) for t in context.tiles]
        measured = measure_places(context, previews, places, scales, find_lifts=partial(lifts_at, context, previews))
        measured_step.numbers = measured.numbers
    with recording("plan", context.settings.seams) as planned:
        plan, lifts, changes, words = make_plan(context, previews, measured)
        planned.numbers = {"height": plan.canvas.height, "width": plan.canvas.width}
    steps = (looked, linked, laid, measured_step, planned)
    quarreling = quarrel_words(context, previews, plan)
    every_warning = (*warnings, *doubts, *measured.warnings, *quarreling, *words)
    return Survey(
        context,
        plan,
        layout,
        tuple(no_links),
        measured.alignment,
        measured.ties,
        tuple(lifts),
        tuple(g.small for g in previews),
        steps,
        every_warning,
        tuple(changes),
    )


def preview_all(context: SurveyContext) -> list[Preview]:
    """A preview at every tile, `workers` at a time."""
    wishes = context.settings
    stages = PreviewStages(wishes.preview, wishes.features, wishes.specks, wishes.evidence)
    in_turn = Lock()

    def one(index: int) -> Preview:
        tile = context.tiles[index]
        dpi, scale = float(context.dpi[index]), float(context.px_per_mm[index])
        steps = look_reductions(tile.raster.shape, dpi, wishes.features.view_side, wishes.specks.look_dpi)
        curve = context.kind.transfer
        with context.shelf.reduced(tile, steps[0]) as fine:
            seen = preview_of(tile.name, fine, steps, px_per_mm=scale, transfer=curve, stages=stages, in_turn=in_turn)
        context.progress("looking at pieces", index + 1, len(context.tiles))
        return seen

    with ThreadPoolExecutor(context.workers) as pool:
        return list(pool.map(one, range(len(context.tiles))))


def link_all(context: SurveyContext, previews: Sequence[Preview]) -> tuple[list[Link], list[NoLink]]:
    """Compare the pairs worth comparing."""
    pairs = choose([g.keypoints for g in previews], context.settings.pairs)

    def one(pair: tuple[int, int]) -> Link | NoLink:
        both, scale, wishes = (previews[pair[0]], previews[pair[1]]), pair_scale(context.dpi, pair), context.settings
        return judged_link(both, scale, wishes.links, belief=wishes.belief, evidence=wishes.evidence)

    with ThreadPoolExecutor(context.workers) as pool:
        results = list(pool.map(one, pairs))
    context.progress("comparing pieces", len(pairs), len(pairs))
    return [r for r in results if isinstance(r, Link)], [r for r in results if isinstance(r, NoLink)]


def _placed_only(
    context: SurveyContext, previews: Sequence[Preview], layout: Layout
) -> tuple[SurveyContext, list[Preview]]:
    kept = [i for i, tile in enumerate(context.tiles) if tile.name in layout.sheet_from_tile]
    smaller = replace(context, tiles=tuple(context.tiles[i] for i in kept), dpi=context.dpi[kept])
    return smaller, [previews[i] for i in kept]
