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
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.core.record import Record, recording
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of
from stitchbed.matching.pairs import choose
from stitchbed.matching.similarity_links import Link, NoLink, proposals
from stitchbed.mosaic.compositing.dust_by_overlap import find_spots
from stitchbed.mosaic.compositing.lift_compensation import evened, shown_cells, square_cm
from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.compositing.seams import SeamMap, find_seams
from stitchbed.mosaic.photometry.gain_compensation import Level, find_gains, no_gain
from stitchbed.mosaic.photometry.lift import Lift, find_lift, no_lift, trust
from stitchbed.mosaic.photometry.overlap_samples import Small, look
from stitchbed.mosaic.registration.bundle_adjustment import Alignment
from stitchbed.mosaic.registration.canvas import Canvas, make_canvas, on_canvas
from stitchbed.mosaic.registration.placement import Placement, edge_distance
from stitchbed.mosaic.registration.pose_graph import Layout
from stitchbed.mosaic.registration.tie_points import Ties
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.judgment import believed, pair_scale
from stitchbed.mosaic.survey.layout import one_layout, quarrel_words
from stitchbed.mosaic.survey.preview import Preview, look_reductions, preview_of
from stitchbed.mosaic.survey.refine import Measured, bed_groups, measure_places
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
        plan, lifts = make_plan(context, previews, measured)
        planned.numbers = {"height": plan.canvas.height, "width": plan.canvas.width}
    steps = (looked, linked, laid, measured_step, planned)
    quarreling = quarrel_words(context, previews, plan)
    every_warning = (*warnings, *doubts, *measured.warnings, *quarreling, *_lifted_words(context, plan, lifts))
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
    )


def _lifted_words(context: SurveyContext, plan: Plan, lifts: Sequence[Lift]) -> list[str]:
    shown = []
    for i, (place, lift) in enumerate(zip(plan.places, lifts, strict=True)):
        area = square_cm(shown_cells(place, i, lift, plan.seams), lift, float(context.px_per_mm[i]))
        if area > 1:
            shown.append((place.tile, area))
    if not shown:
        return []
    listed = ", ".join(f"{name} ({area:.0f} sq cm)" for name, area in shown)
    return [
        f"the sheet leaves the glass where no other piece sees it flat: {listed}; its light was evened out, but it "
        "stays soft there. Scan these edges again, farther onto the bed, to mend it"
    ]


def preview_all(context: SurveyContext) -> list[Preview]:
    """A preview at every tile, `workers` at a time."""
    wishes = context.settings
    settings = (wishes.preview, wishes.features, wishes.specks, wishes.evidence)
    in_turn = Lock()

    def one(index: int) -> Preview:
        tile = context.tiles[index]
        dpi, scale = float(context.dpi[index]), float(context.px_per_mm[index])
        steps = look_reductions(tile.raster.shape, dpi, wishes.features.view_side, wishes.specks.look_dpi)
        fine = context.shelf.view(tile, steps[0])
        curve = context.kind.transfer
        seen = preview_of(tile.name, fine, steps, px_per_mm=scale, transfer=curve, settings=settings, in_turn=in_turn)
        context.progress("looking at pieces", index + 1, len(context.tiles))
        return seen

    with ThreadPoolExecutor(context.workers) as pool:
        return list(pool.map(one, range(len(context.tiles))))


def link_all(context: SurveyContext, previews: Sequence[Preview]) -> tuple[list[Link], list[NoLink]]:
    """Compare the pairs worth comparing."""
    pairs = choose([g.keypoints for g in previews], context.settings.pairs)

    def one(pair: tuple[int, int]) -> Link | NoLink:
        i, j = pair
        a, b = previews[i], previews[j]
        scale, wishes = pair_scale(context.dpi, pair), context.settings
        found = proposals(a.keypoints, b.keypoints, (a.sight, b.sight), scale, wishes.links)
        if isinstance(found, NoLink):
            return found
        return believed(found, (a.detail, b.detail), scale, settings=wishes.belief, evidence=wishes.evidence)

    with ThreadPoolExecutor(context.workers) as pool:
        results = list(pool.map(one, pairs))
    context.progress("comparing pieces", len(pairs), len(pairs))
    return [r for r in results if isinstance(r, Link)], [r for r in results if isinstance(r, NoLink)]


def make_plan(context: SurveyContext, previews: Sequence[Preview], measured: Measured) -> tuple[Plan, list[Lift]]:
    """Canvas, levels, seams."""
    canvas = make_canvas(
        measured.places, measured.dpi, most_pixels=context.settings.max_megapixels * 1e6
    )  # in the reference tile's pixels
    places = [on_canvas(place, canvas) for place in measured.places]
    lifts, levels = judged_light(context, previews, places, canvas)
    seams = find_seams(places, lifts, [g.drawing for g in previews], canvas, settings=context.settings.seams)
    levels = with_evening(places, lifts, levels, seams)
    spots = specks_of(context, previews, (places, lifts, seams), canvas)
    kind = context.kind
    frame = (context.tiles, canvas, tuple(places), tuple(levels), seams)
    return Plan(*frame, kind.channels, kind.dtype, kind.icc, kind.alpha, kind.paper, tuple(spots)), lifts


def with_evening(
    places: Sequence[Placement], lifts: Sequence[Lift], levels: Sequence[Level], seams: SeamMap
) -> list[Level]:
    """Levels that give back the light of lifted places the canvas has to show."""
    triples = enumerate(zip(places, lifts, levels, strict=True))
    return [evened(level, lift, place.size, shown_cells(place, i, lift, seams)) for i, (place, lift, level) in triples]


def specks_of(
    context: SurveyContext,
    previews: Sequence[Preview],
    laid: tuple[Sequence[Placement], Sequence[Lift], SeamMap],
    canvas: Canvas,
) -> list[Spot]:
    """Dust to be taken from another tile."""
    if not context.settings.find_dust or len(previews) < 2:
        return []
    places, lifts, seams = laid

    def read(index: int, box: Box) -> NDArray[np.float32]:
        return gray_of(context.shelf.window(context.tiles[index], box))

    marks = [g.marks for g in previews]
    wishes = context.settings.specks
    return find_spots(places, marks, lifts, canvas, seams=seams, read=read, settings=wishes, workers=context.workers)


def lifts_at(context: SurveyContext, previews: Sequence[Preview], places: Sequence[Placement]) -> list[Lift]:
    """Where the sheet lifts, under places good to a pixel."""
    canvas = make_canvas(places, float(np.median(context.dpi)), most_pixels=context.settings.max_megapixels * 1e6)
    return judged_light(context, previews, [on_canvas(place, canvas) for place in places], canvas)[0]


def judged_light(
    context: SurveyContext, previews: Sequence[Preview], places: Sequence[Placement], canvas: Canvas
) -> tuple[list[Lift], list[Level]]:
    """Lifted zones and levels: levels first without the rims, then lift, then levels again without what lifts."""
    settings = context.settings
    names, sizes = [p.tile for p in places], [p.size for p in places]
    smalls = [g.small for g in previews]
    if smalls[0].light.shape[2] != context.kind.channels or len({s.light.shape[2] for s in smalls}) > 1:
        channels = context.kind.channels
        smalls = [replace(s, light=_promoted(s.light, channels), mixed=_promoted(s.mixed, channels)) for s in smalls]
    patches = look(places, smalls, canvas, settings.levels.spacing_mm)
    nothing = [no_lift(name, size) for name, size in zip(names, sizes, strict=True)]
    if not settings.solve_levels or not len(patches.xy):
        return nothing, [no_gain(name, context.kind.channels) for name in names]
    lifts, weight = nothing, _rim_weight(sizes, [seen.at for seen in patches.seen], context.px_per_mm, 12.0)
    group = bed_groups(context)
    for _ in range(2 if settings.find_lift else 0):
        _, corrected = find_gains(names, sizes, patches, weight, group=group, settings=settings.levels)
        lifts = find_lift(names, sizes, patches, corrected, list(context.px_per_mm), settings.lift)
        weight = trust(lifts, patches)
    levels, _ = find_gains(names, sizes, patches, weight, group=group, settings=settings.levels)
    return lifts, levels


def _rim_weight(sizes: Sequence[tuple[int, int]], at: Sequence[Array], px_per_mm: Array, rim_mm: float) -> list[Array]:
    """Per tile (n,) little trust within `rim_mm` of its edge, where sheets lift and covers shade."""
    depths = [edge_distance(size, xy) / k for size, xy, k in zip(sizes, at, px_per_mm, strict=True)]
    return [np.clip(depth / rim_mm, 0.02, 1) ** 2 for depth in depths]


def _promoted(light: NDArray[np.float32], channels: int) -> NDArray[np.float32]:
    return light if light.shape[2] == channels else np.repeat(light, channels, axis=2)


def _placed_only(
    context: SurveyContext, previews: Sequence[Preview], layout: Layout
) -> tuple[SurveyContext, list[Preview]]:
    kept = [i for i, tile in enumerate(context.tiles) if tile.name in layout.sheet_from_tile]
    smaller = replace(context, tiles=tuple(context.tiles[i] for i in kept), dpi=context.dpi[kept])
    return smaller, [previews[i] for i in kept]
