"""I make the plan of measured pieces: canvas, lifted zones, levels, seams, specks.

In: a context, previews, places. Out: a `Plan`, lifted zones, and what has to be said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.transforms import turn_of
from stitchbed.mosaic.compositing.cut_light import cut_light, cut_light_words
from stitchbed.mosaic.compositing.disagreement import Disagreements, changed_cells, find_changes, shown_whole
from stitchbed.mosaic.compositing.dust_by_overlap import find_spots
from stitchbed.mosaic.compositing.lift_compensation import evened, shown_cells, square_cm
from stitchbed.mosaic.compositing.plan import Plan, Spot
from stitchbed.mosaic.compositing.seams import SeamMap, find_seams
from stitchbed.mosaic.compositing.told_changes import ChangedPlace, change_words, changed_places, step_words
from stitchbed.mosaic.hints.sizes import Sized
from stitchbed.mosaic.photometry.dark_overlaps import dark_overlaps, dark_words
from stitchbed.mosaic.photometry.gain_compensation import Level
from stitchbed.mosaic.photometry.judged_light import Light, Sight, estimated_words, judge_lifts, judge_light
from stitchbed.mosaic.photometry.lift import Lift
from stitchbed.mosaic.photometry.overlap_samples import Small, clipped_share, look
from stitchbed.mosaic.registration.canvas import Canvas, make_canvas, on_canvas
from stitchbed.mosaic.registration.placement import Placement, magnification
from stitchbed.mosaic.registration.relief import lit_otherwise
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.preview import Preview
from stitchbed.mosaic.survey.refine import Measured, bed_groups
from stitchbed.mosaic.survey.scales import canvas_dpi

# Light that the darkest tenth of shown cells lost, from which a lifted place is told: lamps, bands and sensors of scans
# whose sheet lay flat took .02 to .04, lifted edges .06 to .2.
LEAST_LOSS = 0.04


def make_plan(
    context: SurveyContext, previews: Sequence[Preview], measured: Measured, size: Sized
) -> tuple[Plan, list[Lift], list[Level], list[ChangedPlace], list[str]]:
    """Canvas, levels, seams; lifted zones; levels before lifted light was given back; what changed between scans; words
    to the user."""
    dpi, words = canvas_dpi(measured.places, context.dpi, measured.dpi)
    most = context.settings.max_megapixels * 1e6
    finer, turn = dpi / measured.dpi, held_turn(context, measured.places)
    true_dpi = dpi / size.larger
    canvas = make_canvas(measured.places, true_dpi, most_pixels=most, finer=finer, turn=turn, stretch=size.stretch)
    places = [on_canvas(place, canvas) for place in measured.places]
    light = judged_light(context, previews, places, canvas)
    lifts, levels = light.lifts, light.levels
    changes = _changes(context, previews, (places, lifts, levels), canvas)
    drawings = [g.drawing for g in previews]
    clipped = [clipped_share(small) for small in promoted(context, previews)]
    seams = find_seams(
        places,
        lifts,
        drawings,
        canvas,
        settings=context.settings.seams,
        unrest=changes.unrest,
        clipped=clipped,
        aside=_lit_otherwise(measured),
    )
    seams = shown_whole(seams, changes, places, canvas)
    plain, levels = levels, with_evening(places, lifts, levels, seams)
    changed = changed_cells(changes)
    spots = [
        spot
        for spot in specks_of(context, previews, (places, lifts, seams), canvas)
        if not changed[int(spot.y // changes.cell), int(spot.x // changes.cell)]
    ]
    kind = context.kind
    frame = (context.tiles, canvas, tuple(places), tuple(levels), seams)
    plan = Plan(*frame, kind.channels, kind.dtype, kind.icc, kind.alpha, kind.paper, tuple(spots))
    told, steps = changed_places(changes, plan.places, canvas), step_words(changes, plan.places, canvas)
    words += [
        *_lifted_words(context, plan, lifts),
        *estimated_words(light),
        *_dark_words(context, previews, plan, light),
    ]
    cut = cut_light(places, promoted(context, previews), plain, seams, canvas) if context.settings.solve_levels else []
    words += cut_light_words(cut, [place.tile for place in places], canvas)
    return plan, lifts, plain, told, [*words, *change_words(told, canvas), *steps]


def _lit_otherwise(measured: Measured) -> frozenset[int]:
    """Pieces that show the sheet's relief lit from another side than most pieces do."""
    if measured.alignment is None or measured.ties is None:
        return frozenset()
    return lit_otherwise(measured.places, measured.ties, measured.alignment.residual)


def held_turn(context: SurveyContext, places: Sequence[Placement]) -> float | None:
    """Turn of the sheet, rad, that makes the first held piece lie as it was said to or as its record has it; None where
    no piece is held."""
    by_name = {place.tile: place for place in places}
    for one in context.hints.hold:
        if one.piece in by_name:
            recorded = context.recorded.places.get(one.piece) if context.recorded is not None else None
            wanted = np.deg2rad(one.turn or 0.0) if recorded is None or one.at is not None else turn_of(recorded)
            return turn_of(by_name[one.piece].sheet_from_tile) - float(wanted)
    return None


def _changes(
    context: SurveyContext,
    previews: Sequence[Preview],
    laid: tuple[Sequence[Placement], Sequence[Lift], Sequence[Level]],
    canvas: Canvas,
) -> Disagreements:
    """What changed between scans."""
    places, lifts, levels = laid
    smalls, cell_mm = promoted(context, previews), context.settings.seams.cell_mm
    wishes, workers = context.settings.changes, context.workers
    return find_changes(places, smalls, levels, lifts, canvas, cell_mm=cell_mm, settings=wishes, workers=workers)


def promoted(context: SurveyContext, previews: Sequence[Preview]) -> list[Small]:
    """The small pictures, all with the master's channels."""
    return [_colored(each.small, context.kind.channels) for each in previews]


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
    home = float(np.median([dpi * magnification(place) for dpi, place in zip(context.dpi, places, strict=True)]))
    canvas = make_canvas(places, home, most_pixels=context.settings.max_megapixels * 1e6)
    return judge_lifts(_sight(context, previews, [on_canvas(place, canvas) for place in places], canvas)).lifts


def judged_light(
    context: SurveyContext, previews: Sequence[Preview], places: Sequence[Placement], canvas: Canvas
) -> Light:
    """Lifted zones and levels of pieces on a canvas."""
    return judge_light(_sight(context, previews, places, canvas))


def _sight(context: SurveyContext, previews: Sequence[Preview], places: Sequence[Placement], canvas: Canvas) -> Sight:
    settings = context.settings
    return Sight(
        places,
        look(places, promoted(context, previews), canvas, settings.levels.spacing_mm),
        list(context.px_per_mm),
        bed_groups(context),
        levels=settings.levels if settings.solve_levels else None,
        lift=settings.lift if settings.find_lift else None,
    )


def _colored(small: Small, channels: int) -> Small:
    """A small picture of so many channels; a gray one's is repeated."""
    if small.light.shape[2] == channels:
        return small
    light, mixed, shut = (np.repeat(part, channels, axis=2) for part in (small.light, small.mixed, small.shut))
    return replace(small, light=light, mixed=mixed, shut=shut, gray=True)


def _dark_words(context: SurveyContext, previews: Sequence[Preview], plan: Plan, light: Light) -> list[str]:
    """Overlaps that are darker than the paper beside them, of those whose light is not told to be doubtful already."""
    if not context.settings.solve_levels:
        return []
    scale, told = plan.canvas.dpi / MM_PER_INCH, {*light.estimated, *((i, j) for i, j, _ in light.narrow)}
    found = dark_overlaps(plan.places, promoted(context, previews), plan.levels, light.lifts, scale)
    return dark_words([one for one in found if one[:2] not in told], [place.tile for place in plan.places])


def _lifted_words(context: SurveyContext, plan: Plan, lifts: Sequence[Lift]) -> list[str]:
    shown = []
    for i, (place, lift) in enumerate(zip(plan.places, lifts, strict=True)):
        cells = shown_cells(place, i, lift, plan.seams)
        area = square_cm(cells, lift, float(context.px_per_mm[i]))
        if area > 1 and np.quantile(lift.losses[cells], 0.9) > LEAST_LOSS:
            shown.append((place.tile, area))
    if not shown:
        return []
    listed = ", ".join(f"{name} ({area:.0f} sq cm)" for name, area in shown)
    return [
        f"the sheet leaves the glass where no other piece sees it flat: {listed}; its light was evened out, but it "
        "stays soft there. Scan these edges again, farther onto the bed, to mend it"
    ]
