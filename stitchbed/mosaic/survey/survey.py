"""I tell the first half of a join: look at all pieces small, measure where it matters, and end in a plan.

In: a `Bench` (tiles, shelf, settings). Out: a `Survey`: the plan, and all that was found out on the way.
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
from stitchbed.matching.similarity_links import Link, NoLink, link
from stitchbed.mosaic.compositing.dust_by_overlap import find_spots
from stitchbed.mosaic.compositing.lift_compensation import evened, shown_cells, square_cm
from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.compositing.seams import SeamMap, find_seams
from stitchbed.mosaic.photometry.gain_compensation import Level, find_levels, no_level
from stitchbed.mosaic.photometry.lift import Lift, find_lift, no_lift, trust
from stitchbed.mosaic.photometry.overlap_samples import Small, look
from stitchbed.mosaic.registration.bundle_adjustment import Alignment
from stitchbed.mosaic.registration.canvas import Canvas, make_canvas, on_canvas
from stitchbed.mosaic.registration.placement import Placement, edge_distance
from stitchbed.mosaic.registration.pose_graph import Layout, lay_out
from stitchbed.mosaic.registration.tie_points import Ties
from stitchbed.mosaic.survey.components import demand_whole, second_look
from stitchbed.mosaic.survey.context import Bench
from stitchbed.mosaic.survey.preview import Glance, glance, look_reductions
from stitchbed.mosaic.survey.refine import Measured, bed_groups, measure_places
from stitchbed.mosaic.survey.scales import agreed_scales, sheet_dpi


@dataclass(frozen=True)
class Survey:
    """bench : of the tiles that were placed. plan : see `Plan`. The rest is for the record."""

    bench: Bench
    plan: Plan
    layout: Layout
    no_links: tuple[NoLink, ...]
    alignment: Alignment | None
    ties: Ties | None
    lifts: tuple[Lift, ...]
    smalls: tuple[Small, ...]
    steps: tuple[Record, ...]
    warnings: tuple[str, ...]


def survey(bench: Bench) -> Survey:
    """From tiles to a plan.

    Raises
    ------
    Islands : a piece could not be placed (unless allow_missing). CanvasTooLarge : see `make_canvas`.
    """
    with recording("look", bench.settings.glance) as looked:
        glances = look_at_all(bench)
        looked.numbers = {"points": {g.keypoints.tile: len(g.keypoints.xy) for g in glances}}
    with recording("links", bench.settings.links) as linked:
        links, no_links = link_all(bench, glances)
        linked.numbers = {"links": len(links), "pairs_compared": len(links) + len(no_links)}
    with recording("layout", bench.settings.graph) as laid:
        layout, warnings = one_layout(bench, links, no_links)
        laid.numbers = {"placed": len(layout.sheet_from_tile), "dropped": len(layout.dropped)}
    bench, glances = _placed_only(bench, glances, layout)
    with recording("measure", bench.settings.ties) as measured_step:
        home = sheet_dpi(layout, {tile.name: float(dpi) for tile, dpi in zip(bench.tiles, bench.dpi, strict=True)})
        declared = {tile.name: float(home / dpi) for tile, dpi in zip(bench.tiles, bench.dpi, strict=True)}
        scales, doubts = agreed_scales(layout, declared)
        bench = replace(bench, dpi=np.round([home / scales[tile.name] for tile in bench.tiles], 9))
        places = [Placement(t.name, t.raster.shape[:2], layout.sheet_from_tile[t.name]) for t in bench.tiles]
        measured = measure_places(bench, glances, places, scales, find_lifts=partial(lifts_at, bench, glances))
        measured_step.numbers = measured.numbers
    with recording("plan", bench.settings.seams) as planned:
        plan, lifts = make_plan(bench, glances, measured)
        planned.numbers = {"height": plan.canvas.height, "width": plan.canvas.width}
    steps = (looked, linked, laid, measured_step, planned)
    every_warning = (*warnings, *doubts, *measured.warnings, *_lifted_words(bench, plan, lifts))
    return Survey(
        bench,
        plan,
        layout,
        tuple(no_links),
        measured.alignment,
        measured.ties,
        tuple(lifts),
        tuple(g.small for g in glances),
        steps,
        every_warning,
    )


def _lifted_words(bench: Bench, plan: Plan, lifts: Sequence[Lift]) -> list[str]:
    shown = []
    for i, (place, lift) in enumerate(zip(plan.places, lifts, strict=True)):
        area = square_cm(shown_cells(place, i, lift, plan.seams), lift, float(bench.px_per_mm[i]))
        if area > 1:
            shown.append((place.tile, area))
    if not shown:
        return []
    listed = ", ".join(f"{name} ({area:.0f} sq cm)" for name, area in shown)
    return [
        f"the sheet leaves the glass where no other piece sees it flat: {listed}; its light was evened out, but it "
        "stays soft there. Scan these edges again, farther onto the bed, to mend it"
    ]


def look_at_all(bench: Bench) -> list[Glance]:
    """A glance at every tile, `workers` at a time."""
    wishes = bench.settings
    settings = (wishes.glance, wishes.features, wishes.specks)
    in_turn = Lock()

    def one(index: int) -> Glance:
        tile = bench.tiles[index]
        dpi, scale = float(bench.dpi[index]), float(bench.px_per_mm[index])
        steps = look_reductions(tile.raster.shape, dpi, wishes.features.view_side, wishes.specks.look_dpi)
        fine = bench.shelf.view(tile, steps[0])
        curve = bench.kind.transfer
        seen = glance(tile.name, fine, steps, px_per_mm=scale, transfer=curve, settings=settings, in_turn=in_turn)
        bench.progress("looking at pieces", index + 1, len(bench.tiles))
        return seen

    with ThreadPoolExecutor(bench.workers) as pool:
        return list(pool.map(one, range(len(bench.tiles))))


def link_all(bench: Bench, glances: Sequence[Glance]) -> tuple[list[Link], list[NoLink]]:
    """Compare the pairs worth comparing."""
    pairs = choose([g.keypoints for g in glances], bench.settings.pairs)

    def one(pair: tuple[int, int]) -> Link | NoLink:
        i, j = pair
        scale = float(bench.dpi[j] / bench.dpi[i])
        sights = (glances[i].sight, glances[j].sight)
        return link(glances[i].keypoints, glances[j].keypoints, sights, scale, bench.settings.links)

    with ThreadPoolExecutor(bench.workers) as pool:
        results = list(pool.map(one, pairs))
    bench.progress("comparing pieces", len(pairs), len(pairs))
    return [r for r in results if isinstance(r, Link)], [r for r in results if isinstance(r, NoLink)]


def one_layout(bench: Bench, links: Sequence[Link], no_links: Sequence[NoLink]) -> tuple[Layout, list[str]]:
    """The one island all tiles belong to, after a second look where needed.

    Raises
    ------
    Islands : see `demand_whole`.
    """
    sizes = {tile.name: tile.raster.shape[:2] for tile in bench.tiles}
    rng = np.random.default_rng(bench.settings.seed)
    layouts = lay_out(sizes, links, bench.settings.graph, rng)
    weak: list[Link] = []
    if len(layouts) > 1:
        weak = second_look(bench, layouts)
        known = [item for layout in layouts for item in layout.links]
        layouts = lay_out(sizes, [*known, *weak], bench.settings.graph, rng) if weak else layouts
    names = [tile.name for tile in bench.tiles]
    layout, warnings = demand_whole(layouts, no_links, names, allow_missing=bench.settings.allow_missing)
    used = [f"{item.a} - {item.b}" for item in layout.links if item.weak]
    if used:
        warnings.append(
            f"weak links, found by faint marks or paper grain only: {', '.join(used)}. Look at these seams."
        )
    return layout, warnings


def make_plan(bench: Bench, glances: Sequence[Glance], measured: Measured) -> tuple[Plan, list[Lift]]:
    """Canvas, levels, seams."""
    canvas = make_canvas(
        measured.places, measured.dpi, most_pixels=bench.settings.max_megapixels * 1e6
    )  # in the reference tile's pixels
    places = [on_canvas(place, canvas) for place in measured.places]
    lifts, levels = judged_light(bench, glances, places, canvas)
    seams = find_seams(places, lifts, [g.drawing for g in glances], canvas, settings=bench.settings.seams)
    levels = with_evening(places, lifts, levels, seams)
    spots = specks_of(bench, glances, (places, lifts, seams), canvas)
    kind = bench.kind
    frame = (bench.tiles, canvas, tuple(places), tuple(levels), seams)
    return Plan(*frame, kind.channels, kind.dtype, kind.icc, kind.alpha, kind.paper, tuple(spots)), lifts


def with_evening(
    places: Sequence[Placement], lifts: Sequence[Lift], levels: Sequence[Level], seams: SeamMap
) -> list[Level]:
    """Levels that give back the light of lifted places the canvas has to show."""
    triples = enumerate(zip(places, lifts, levels, strict=True))
    return [evened(level, lift, place.size, shown_cells(place, i, lift, seams)) for i, (place, lift, level) in triples]


def specks_of(
    bench: Bench, glances: Sequence[Glance], laid: tuple[Sequence[Placement], Sequence[Lift], SeamMap], canvas: Canvas
) -> list[Spot]:
    """Dust to be taken from another tile."""
    if not bench.settings.find_dust or len(glances) < 2:
        return []
    places, lifts, seams = laid

    def read(index: int, box: Box) -> NDArray[np.float32]:
        return gray_of(bench.shelf.window(bench.tiles[index], box))

    marks = [g.marks for g in glances]
    wishes = bench.settings.specks
    return find_spots(places, marks, lifts, canvas, seams=seams, read=read, settings=wishes, workers=bench.workers)


def lifts_at(bench: Bench, glances: Sequence[Glance], places: Sequence[Placement]) -> list[Lift]:
    """Where the sheet lifts, under places good to a pixel."""
    canvas = make_canvas(places, float(np.median(bench.dpi)), most_pixels=bench.settings.max_megapixels * 1e6)
    return judged_light(bench, glances, [on_canvas(place, canvas) for place in places], canvas)[0]


def judged_light(
    bench: Bench, glances: Sequence[Glance], places: Sequence[Placement], canvas: Canvas
) -> tuple[list[Lift], list[Level]]:
    """Lifted zones and levels: levels first without the rims, then lift, then levels again without what lifts."""
    settings = bench.settings
    names, sizes = [p.tile for p in places], [p.size for p in places]
    smalls = [g.small for g in glances]
    if smalls[0].light.shape[2] != bench.kind.channels or len({s.light.shape[2] for s in smalls}) > 1:
        smalls = [replace(s, light=_promoted(s.light, bench.kind.channels)) for s in smalls]
    patches = look(places, smalls, canvas, settings.levels.spacing_mm)
    nothing = [no_lift(name, size) for name, size in zip(names, sizes, strict=True)]
    if not settings.solve_levels or not len(patches.xy):
        return nothing, [no_level(name, bench.kind.channels) for name in names]
    lifts, weight = nothing, _rim_weight(sizes, [seen.at for seen in patches.seen], bench.px_per_mm, 12.0)
    group = bed_groups(bench)
    for _ in range(2 if settings.find_lift else 0):
        _, corrected = find_levels(names, sizes, patches, weight, group=group, settings=settings.levels)
        lifts = find_lift(names, sizes, patches, corrected, list(bench.px_per_mm), settings.lift)
        weight = trust(lifts, patches)
    levels, _ = find_levels(names, sizes, patches, weight, group=group, settings=settings.levels)
    return lifts, levels


def _rim_weight(sizes: Sequence[tuple[int, int]], at: Sequence[Array], px_per_mm: Array, rim_mm: float) -> list[Array]:
    """Per tile (n,) little trust within `rim_mm` of its edge, where sheets lift and covers shade."""
    depths = [edge_distance(size, xy) / k for size, xy, k in zip(sizes, at, px_per_mm, strict=True)]
    return [np.clip(depth / rim_mm, 0.02, 1) ** 2 for depth in depths]


def _promoted(light: NDArray[np.float32], channels: int) -> NDArray[np.float32]:
    return light if light.shape[2] == channels else np.repeat(light, channels, axis=2)


def _placed_only(bench: Bench, glances: Sequence[Glance], layout: Layout) -> tuple[Bench, list[Glance]]:
    kept = [i for i, tile in enumerate(bench.tiles) if tile.name in layout.sheet_from_tile]
    smaller = replace(bench, tiles=tuple(bench.tiles[i] for i in kept), dpi=bench.dpi[kept])
    return smaller, [glances[i] for i in kept]
