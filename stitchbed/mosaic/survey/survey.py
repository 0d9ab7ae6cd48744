"""I tell the first half of a join: look at all pieces small, measure where it matters, and end in a plan.

In: a `SurveyContext` (tiles, shelf, settings). Out: a `Survey`: the plan, and all that was found out on the way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from threading import Lock
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import Record, recording
from stitchbed.matching.pairs import choose
from stitchbed.matching.similarity_links import Link, NoLink
from stitchbed.mosaic.compositing.dust_by_overlap import Candidates
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.told_changes import ChangedPlace
from stitchbed.mosaic.hints.effects import contradicted, without_place
from stitchbed.mosaic.hints.hints import barred_of
from stitchbed.mosaic.hints.recorded import recorded_links
from stitchbed.mosaic.hints.sizes import sized
from stitchbed.mosaic.linking.contradictions import (
    Contradiction,
    aside_words,
    contradiction_words,
    contradictions,
    held_by_repeats,
    placed_aside,
    repeat_words,
)
from stitchbed.mosaic.linking.pose_graph import Layout, at_sizes, looped
from stitchbed.mosaic.photometry.gain_compensation import Level
from stitchbed.mosaic.photometry.lift import Lift
from stitchbed.mosaic.photometry.overlap_samples import Small
from stitchbed.mosaic.registration.bundle_adjustment import Alignment
from stitchbed.mosaic.registration.canvas import mean_turn
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.registration.tie_points import Ties
from stitchbed.mosaic.survey.broken_off import broken_parts
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.implied_overlaps import outvoted_only, spoken_against
from stitchbed.mosaic.survey.judgment import judged_link, pair_scale
from stitchbed.mosaic.survey.layout import Laid, lay_pieces, one_layout, overlap_words, seen_at_last, unlike_of
from stitchbed.mosaic.survey.plan_making import held_turn, lifts_at, make_plan
from stitchbed.mosaic.survey.preview import Preview, PreviewStages, details_of, look_reductions, preview_of
from stitchbed.mosaic.survey.refine import Measured, measure_places
from stitchbed.mosaic.survey.scales import PICTURE, agreed_scales, sheet_dpi

NOTHING: Mapping[Any, Any] = MappingProxyType({})


@dataclass(frozen=True)
class Survey:
    """context : of the tiles that were placed. plan : see `Plan`. lifts, levels (before lifted light was given back)
    and marks : what a plan with other seams needs. The rest is for the record."""

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
    effects: tuple[dict[str, Any], ...] = ()
    levels: tuple[Level, ...] = ()
    marks: tuple[Candidates, ...] = ()


@dataclass(frozen=True)
class Looked:
    """What pieces show, each alone and each with others; steps : how long it took."""

    previews: tuple[Preview, ...]
    links: tuple[Link, ...]
    no_links: tuple[NoLink, ...]
    steps: tuple[Record, ...] = ()


def survey(context: SurveyContext) -> Survey:
    """From tiles to a plan.

    Raises
    ------
    Disconnected : a piece could not be placed (unless allow_missing). CanvasTooLarge : see `make_canvas`.
    """
    looked = look(context)
    return surveyed(context, looked, *laid_out(context, looked))


def look(
    context: SurveyContext,
    known: Mapping[int, Preview] | None = None,
    compared: Mapping[tuple[str, str], Link | NoLink] | None = None,
) -> Looked:
    """Look at all pieces small, and compare the pairs worth comparing.

    known, compared : what was seen of pieces (by index) and pairs (by names) before.
    """
    with recording("look", context.settings.preview) as looked:
        previews = preview_all(context, known or {})
        looked.numbers = {"points": {g.keypoints.tile: len(g.keypoints.xy) for g in previews}}
    with recording("links", context.settings.links) as linked:
        links, no_links = link_all(context, previews, compared or {})
        linked.numbers = {"links": len(links), "pairs_compared": len(links) + len(no_links)}
    return Looked(tuple(previews), tuple(links), tuple(no_links), (looked, linked))


def laid_out(context: SurveyContext, looked: Looked) -> tuple[Laid, Record]:
    """Where the pieces lie by their links and hints, good to some px."""
    with recording("layout", context.settings.graph) as record:
        laid = lay_pieces(context, looked.previews, looked.links)
        placed, dropped = len(laid.layouts[0].sheet_from_tile), len(laid.layouts[0].dropped)
        record.numbers = {"placed": placed, "dropped": dropped}
    return laid, record


def surveyed(context: SurveyContext, looked: Looked, laid: Laid, laying: Record) -> Survey:
    """Measure what was laid out, and make the plan.

    Raises
    ------
    Disconnected, CanvasTooLarge : see `survey`.
    """
    previews: Sequence[Preview] = looked.previews
    layout, warnings = one_layout(context, previews, laid, looked.no_links)
    context, previews = _placed_only(_loosened(context, layout), previews, layout)
    with recording("measure", context.settings.ties) as measured_step:
        before, layout = context.dpi, _as_declared(context, layout)
        context, places, scales, doubts = first_places(context, layout, previews)
        previews = _looked_again(context, previews, before)
        lifts_found = partial(lifts_at, context, previews)
        measured = measure_places(context, previews, places, scales, find_lifts=lifts_found, looped=looped(layout))
        against = _against(context, layout, measured, previews)
        aside = _aside(context, layout, measured)
        measured_step.numbers = measured.numbers | _at_least([*against, *aside], layout, measured)
    with recording("plan", context.settings.seams) as planned:
        turn = held_turn(context, measured.places)
        turn = mean_turn(measured.places) if turn is None else turn
        size = sized(context.hints.distance, measured.places, measured.dpi, turn)
        plan, lifts, levels, changes, words = make_plan(context, previews, measured, size)
        planned.numbers = {"height": plan.canvas.height, "width": plan.canvas.width}
    seen = seen_at_last(context, previews, plan)
    repeated = repeat_words(held_by_repeats(layout, context.settings.belief.rival))
    quarreling = [*repeated, *overlap_words(context, plan, seen)]
    if quarreling:  # a piece that lies wrongly is beyond what any measured place tells of the error
        measured_step.numbers["placed_surely"] = False
    return Survey(
        context,
        plan,
        layout,
        tuple(looked.no_links),
        measured.alignment,
        measured.ties,
        tuple(lifts),
        tuple(g.small for g in previews),
        (*looked.steps, laying, measured_step, planned),
        (
            *warnings,
            *contradiction_words(against, measured.dpi / MM_PER_INCH),
            *aside_words(aside, measured.dpi / MM_PER_INCH),
            *doubts,
            *measured.warnings,
            *quarreling,
            *words,
            *unlike_of(plan, seen, changes),
            *contradicted(size.rows),
        ),
        tuple(changes),
        (*laid.effects, *size.rows, *without_place(context.hints)),
        tuple(levels),
        tuple(g.marks for g in previews),
    )


def _against(
    context: SurveyContext, layout: Layout, measured: Measured, previews: Sequence[Preview]
) -> list[Contradiction]:
    """Links that contradict each other, also after the places were measured and the pictures asked."""
    places = {place.tile: place.sheet_from_tile for place in measured.places}
    sizes, details = {p.tile: p.size for p in measured.places}, details_of(previews)
    belief, evidence = context.settings.belief, context.settings.evidence
    doubtful = outvoted_only(layout, places, details, evidence)
    asked = spoken_against(layout, sizes, details, belief=belief, evidence=evidence)
    return contradictions(doubtful, sizes, asked)


def _aside(context: SurveyContext, layout: Layout, measured: Measured) -> list[Contradiction]:
    """Pieces that may lie one motif aside."""
    sizes = {place.tile: place.size for place in measured.places}
    return placed_aside(layout, sizes, context.settings.belief.apart_mm * measured.dpi / MM_PER_INCH)


def _at_least(against: Sequence[Contradiction], layout: Layout, measured: Measured) -> dict[str, float]:
    """The error told, where links that contradict each other or fit as well aside leave a larger one possible."""
    slips = [item.slip_mm / 2 * measured.dpi / MM_PER_INCH for item in layout.links]
    most = max([*slips, *(one.off_px for one in against)], default=0.0)
    if not most > measured.numbers.get("error_px", np.inf):
        return {}
    figure = {name: round(most, 3) for name in ("error_px", "error_px_axes_known")}
    return {**figure, "error_mm": round(most / measured.dpi * MM_PER_INCH, 4)}


def _loosened(context: SurveyContext, layout: Layout) -> SurveyContext:
    """The context with as much room for what only a layout holds as was said of places where nothing is drawn."""
    holding = context.settings.holding
    loose = max([item.loose_mm / 2 for item in layout.links], default=0.0)
    holding = replace(holding, layout_mm=max(holding.layout_mm, loose))
    return replace(context, settings=replace(context.settings, holding=holding))


def _as_declared(context: SurveyContext, layout: Layout) -> Layout:
    """The layout with pieces as large as dpi say where some are not, if links agree with that about as well: a few
    narrow overlaps tell sizes no finer."""
    declared = _declared(context, layout)[1]
    if not agreed_scales(layout, declared)[1]:
        return layout
    sizes = {tile.name: tile.raster.shape[:2] for tile in context.tiles}
    return at_sizes(layout, declared, sizes, context.settings.graph)


def _declared(context: SurveyContext, layout: Layout) -> tuple[float, dict[str, float]]:
    """The sheet's dpi, and sheet px per px of each piece as declared dpi say."""
    dpi = {tile.name: float(dpi) for tile, dpi in zip(context.tiles, context.dpi, strict=True)}
    home = sheet_dpi(layout, dpi)
    return home, {name: home / one for name, one in dpi.items()}


def first_places(
    context: SurveyContext, layout: Layout, previews: Sequence[Preview]
) -> tuple[SurveyContext, list[Placement], dict[str, float], list[str]]:
    """Placements of a layout, the context with the dpi they show, sizes expected of each piece, doubts. What a scan
    that broke off did not see, and what was said not to be used, is barred."""
    home, declared = _declared(context, layout)
    scales, doubts = agreed_scales(layout, declared)
    context = replace(context, dpi=np.round([home / scales[tile.name] for tile in context.tiles], 9))
    broken = broken_parts(layout.sheet_from_tile, details_of(previews))
    barred = {tile.name: (*barred_of(context.hints, tile.name), *broken[tile.name]) for tile in context.tiles}
    places = [
        Placement(t.name, t.raster.shape[:2], layout.sheet_from_tile[t.name], barred=barred[t.name])
        for t in context.tiles
    ]
    return context, places, scales, doubts


def _looked_again(
    context: SurveyContext, previews: Sequence[Preview], before: NDArray[np.float64]
) -> Sequence[Preview]:
    """Previews, new ones of pieces whose dpi (`before`) their pictures belied: light is compared by mm of the sheet."""
    same = np.flatnonzero(np.abs(context.dpi / before - 1) <= PICTURE).tolist()
    return previews if len(same) == len(previews) else preview_all(context, {i: previews[i] for i in same})


def preview_all(context: SurveyContext, known: Mapping[int, Preview] = NOTHING) -> list[Preview]:
    """A preview of every tile that is not known, `workers` at a time."""
    wishes = context.settings
    stages = PreviewStages(wishes.preview, wishes.features, wishes.specks, wishes.evidence)
    in_turn = Lock()

    def one(index: int) -> Preview:
        if index in known:
            return known[index]
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


def link_all(
    context: SurveyContext,
    previews: Sequence[Preview],
    compared: Mapping[tuple[str, str], Link | NoLink] = NOTHING,
) -> tuple[list[Link], list[NoLink]]:
    """Compare the pairs worth comparing that were not compared before."""
    if context.recorded is not None:
        return recorded_links(context, previews), []
    pairs = choose([g.keypoints for g in previews], context.settings.pairs, workers=context.workers)

    def one(pair: tuple[int, int]) -> Link | NoLink:
        both, scale, wishes = (previews[pair[0]], previews[pair[1]]), pair_scale(context.dpi, pair), context.settings
        before = compared.get((both[0].keypoints.tile, both[1].keypoints.tile))
        if before is not None:
            return before
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
