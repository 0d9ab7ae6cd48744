"""I measure the places: ties on full-resolution windows, the bed, a first look at lift, and small fields.

In: a context and first places. Out: `Measured`: places good to a few hundredths of a pixel, and how far that is true.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of
from stitchbed.mosaic.hints.ties import said_ties
from stitchbed.mosaic.photometry.lift import Lift, inside
from stitchbed.mosaic.registration.bundle_adjustment import Alignment, misses
from stitchbed.mosaic.registration.doubts import Given, doubts, solve_as_fine_as_shown, solve_within_reason
from stitchbed.mosaic.registration.holding import (
    by_layout,
    counted,
    gaps,
    hardly_tied,
    lifted_weighed_less,
    part_of,
    parts,
)
from stitchbed.mosaic.registration.placement import Placement, from_sheet, to_sheet
from stitchbed.mosaic.registration.residual_warp import folds_at, with_fields, with_folds
from stitchbed.mosaic.registration.scanner_bed import BedSettings, BedShape
from stitchbed.mosaic.registration.tie_points import (
    ReadGray,
    Ties,
    chosen,
    measure,
    overlaps,
    spots,
    together,
    width_shared,
)
from stitchbed.mosaic.registration.uncertainty import Uncertainty, uncertainty
from stitchbed.mosaic.registration.unknowns import Frame
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.preview import Preview

SHY_MM = 9.0  # before lift is known, places nearer to an edge than this are taken only where there is nothing better
FLAT_SHY_MM = 2.0  # and after: covers still shade the outermost millimeters
LEAST_OVERLAP_MM = 6.0
# of ties in strips: px of a window's side at least, px from where it should lie, likeness, windows per overlap
LEAST_WINDOW, STRIP_REACH, STRIP_ALIKE, MOST_STRIP = 16, 4, 0.7, 60
TRUSTED_MM = 10.0  # across an overlap: most of it lies flat, though sheets lift at their edges
SETTLED_PX = 0.08  # a round that moves nothing by more than this is the last: the next would move it by a tenth of that


@dataclass(frozen=True)
class Measured:
    """places in the reference tile's frame; alignment and ties are None when there is a single tile. dpi : of the
    sheet."""

    places: tuple[Placement, ...]
    alignment: Alignment | None
    ties: Ties | None
    dpi: float
    numbers: dict[str, Any]
    warnings: tuple[str, ...]


def measure_places(
    context: SurveyContext,
    previews: Sequence[Preview],
    places: Sequence[Placement],
    scales: Mapping[str, float],
    *,
    find_lifts: Callable[[Sequence[Placement]], Sequence[Lift]],
    looped: Mapping[str, int],
) -> Measured:
    """Measure and solve up to `rounds` times, fields after the last; the first round brings ties within reach.

    looped : see `pose_graph.looped`.
    find_lifts : where the sheet leaves the glass, given places good to a pixel; no ties are taken there.
    """
    reference = next(i for i, p in enumerate(places) if np.array_equal(p.sheet_from_tile, np.eye(3)))
    dpi = float(context.dpi[reference])
    if len(places) == 1:
        return Measured(tuple(places), None, None, dpi, {}, ())
    frame = _frame(context, scales, reference)
    holding = context.settings.holding
    solved: Alignment | None = None
    bed = context.settings.bed
    current, lifts = list(places), None
    singles = gaps(places, [{i} for i in range(len(places))])
    along = by_layout(places, singles, context.px_per_mm, replace(holding, layout_mm=holding.along_mm))
    shared = overlaps(places, LEAST_OVERLAP_MM * float(np.median(context.px_per_mm)))
    loops = [looped.get(place.tile, -1 - i) for i, place in enumerate(places)]
    checked = [(i, j) for i, j, _ in shared if loops[i] == loops[j]]
    for step in range(context.settings.rounds):
        ties = measure_ties(context, previews, current, lifts)
        counts = counted(ties)
        groups = parts(len(places), counts, holding.least_join)
        pairs = sorted({*gaps(places, groups), *hardly_tied(checked, counts, holding.least_ties)})
        held = together([
            along,
            by_layout(places, pairs, context.px_per_mm, holding),
            said_ties(context.hints.same_point, current, context.px_per_mm, _reader(context), context.settings.ties),
        ])  # fmt: skip
        solved, bed = _solved(context, current, (ties, held), frame, coarse=step == 0)
        moved_px = _largest_move(current, solved.placements)
        current = list(solved.placements)
        if step > 0 and moved_px < SETTLED_PX:
            break
        lifts = find_lifts(current) if lifts is None else lifts
        context.progress("measuring", step + 1, context.settings.rounds)
    if solved is None:
        raise ValueError("settings.rounds must be at least 1")
    flat = ~_in_lift(lifts, ties) if lifts is not None else np.ones(len(ties.a), bool)
    current, solved, about, folded = _bent(context, (solved, bed), ties, flat, frame)
    numbers = _told(ties, current, solved) | _error_numbers(about, dpi)
    numbers |= {"travel_seen": _travel_seen(frame, solved), "ties_at_folds": int(folded.sum())}
    loose = [i for group in groups if reference not in group for i in sorted(group)]
    both = (holding, context.settings.folds)
    off_mm, rival_mm = (np.array(px) * MM_PER_INCH / dpi for px in (about.piece_px, about.rival_px))
    warnings = doubts(
        solved,
        ties,
        context.px_per_mm,
        loose=loose,
        off_mm=off_mm,
        rival_mm=rival_mm,
        flat=flat,
        folded=folded,
        settings=both,
    )
    return Measured(tuple(current), solved, ties, dpi, numbers, tuple(warnings))


def _bent(
    context: SurveyContext, found: tuple[Alignment, BedSettings], ties: Ties, flat: Mask, frame: Frame
) -> tuple[list[Placement], Alignment, Uncertainty, Mask]:
    """Placements with small fields and round folds with larger ones, how far off they may be, and the ties at folds."""
    solved, bed = found
    settings, scales = context.settings, list(context.px_per_mm)
    current, folded = list(solved.placements), np.zeros(len(ties.a), bool)
    if settings.solve_fields:
        current = with_fields(current, ties, scales, settings.fields)
        folded = folds_at(current, ties, float(np.median(scales)), settings.folds) & flat
    if folded.any():
        current = with_folds(current, ties, scales, folded, settings=(settings.fields, settings.folds))
    about = uncertainty(
        solved,
        ties,
        frame,
        float(np.median(scales)),
        settings=(bed, settings.uncertainty),
        folded=folded,
    )
    solved = replace(solved, weight=np.maximum(solved.weight, folded))
    return current, solved, about, folded


def _solved(
    context: SurveyContext, places: Sequence[Placement], ties: tuple[Ties, Ties], frame: Frame, *, coarse: bool
) -> tuple[Alignment, BedSettings]:
    """All tiles at once, by what was measured and what holds the rest, and the bed's settings it is by; residuals are
    told of the measured only. coarse : places were good to a few pixels, too few to show steps of the head."""
    measured, held = ties
    both = together([measured, held])
    given = Given(places, both, frame, context.settings.alignment, context.settings.bed, known=len(held.a))
    solved, bed = (solve_within_reason(given), given.bed) if coarse else solve_as_fine_as_shown(given)
    count = len(measured.a)
    return replace(solved, residual=solved.residual[:count], weight=solved.weight[:count]), bed


def _error_numbers(about: Uncertainty, dpi: float) -> dict[str, Any]:
    """What the record tells of the error: bounds that 95 % of the places keep, in 95 of 100 cases."""
    return {
        "error_px": round(about.error_px, 3),
        "error_mm": round(about.error_px / dpi * MM_PER_INCH, 4),
        "error_px_axes_known": round(about.shown_px, 3),
        "local_px": round(about.local_px, 3),
    }


def _travel_seen(frame: Frame, solved: Alignment) -> float:
    """Share of the head's expected travel error that the overlaps show, 0..1, of the bed least seen; 0 where no two
    pieces are of one bed."""
    shared = [g for g in frame.shapes if (frame.group == g).sum() > 1]
    seen = [float(solved.beds[g].observed[3]) if g in solved.beds else 0.0 for g in shared]
    return round(min(seen, default=0.0), 3)


def _without_lifted(
    context: SurveyContext, places: Sequence[Placement], lifts: Sequence[Lift], jobs: Mapping[tuple[int, int], Array]
) -> dict[tuple[int, int], Array]:
    """The places of `jobs` where neither tile lifts, and all of them between pieces that flat ones do not hold."""
    flat = {}
    for (i, j), xy in jobs.items():
        there = from_sheet(places[j], to_sheet(places[i], xy))
        flat[i, j] = xy[~(inside(lifts[i], xy) | inside(lifts[j], there))]
    counts = {pair: len(xy) for pair, xy in flat.items()}
    group = part_of(parts(len(places), counts, context.settings.holding.least_ties))
    return {(i, j): xy if group[i] == group[j] else jobs[i, j] for (i, j), xy in flat.items()}


def _in_lift(lifts: Sequence[Lift], ties: Ties) -> Mask:
    """(N,) True where a tie lies in a lifted zone of either tile."""
    result = np.zeros(len(ties.a), bool)
    for index, lift in enumerate(lifts):
        for which, xy in ((ties.a, ties.xy_a), (ties.b, ties.xy_b)):
            result[which == index] |= inside(lift, xy[which == index])
    return result


def _largest_move(before: Sequence[Placement], after: Sequence[Placement]) -> float:
    """Greatest distance px any of a tile's corners and middles moved."""
    largest = 0.0
    for old, new in zip(before, after, strict=True):
        h, w = old.size
        at = np.stack(np.meshgrid(np.linspace(0, w - 1, 7), np.linspace(0, h - 1, 23)), -1).reshape(-1, 2)
        largest = max(largest, float(np.hypot(*(to_sheet(new, at) - to_sheet(old, at)).T).max()))
    return largest


def measure_ties(
    context: SurveyContext, previews: Sequence[Preview], places: Sequence[Placement], lifts: Sequence[Lift] | None
) -> Ties:
    """Tie points over all overlaps; the first time (lifts None) within reach of the survey's error, then close by."""
    first = lifts is None
    settings = context.settings.ties
    scale = float(np.median(context.px_per_mm))
    window = int(np.clip(round(settings.window_mm * scale / 2) * 2, 24, settings.widest_px))
    coarse = max(g.keypoints.reduction for g in previews)
    reach = 4 * coarse + 4 if first else 5
    pairs = overlaps(places, LEAST_OVERLAP_MM * scale)
    share = settings.first_share if first else 1.0
    per_pair = min(settings.per_pair, settings.total // max(1, len(pairs)))
    counts = {(i, j): max(10, int(share * min(per_pair, area / window**2))) for i, j, area in pairs}
    jobs = {
        (i, j): spots(
            (places[i], places[j]),
            previews[i].texture,
            counts[i, j],
            margin_px=window / 2 + reach + 9,
            shy_px=(SHY_MM if first else FLAT_SHY_MM) * scale,
        )
        for i, j, _ in pairs
    }
    if lifts is not None:
        jobs = _without_lifted(context, places, lifts, jobs)
    read, sides = _reader(context), {"window_px": window, "reach_px": reach}
    ties = measure(places, jobs, read, **sides, settings=settings, workers=context.workers, near=not first)
    ties = together([ties, _strip_ties(context, previews, places, jobs, window)])
    if lifts is None:
        return ties
    return lifted_weighed_less(ties, _in_lift(lifts, ties), context.px_per_mm, context.settings.holding)


def _strip_ties(
    context: SurveyContext,
    previews: Sequence[Preview],
    places: Sequence[Placement],
    jobs: Mapping[tuple[int, int], Array],
    window: int,
) -> Ties:
    """Ties by windows of half the usual size, in overlaps too narrow for whole ones: of pieces of few dpi, for there
    windows take more of the sheet; and of those that a person has said to be neighbors, however near to an edge and
    however few. Where nothing was said, the edges of sheets are not trusted so far."""
    least, edge = context.settings.holding.least_ties, TRUSTED_MM * float(np.median(context.px_per_mm))
    said = _said_neighbors(context, places)
    few = {pair for pair in said & jobs.keys() if len(jobs[pair]) < least}
    narrow = {(i, j) for (i, j), xy in jobs.items() if not len(xy) and width_shared(places[i], places[j]) > edge}
    side = max(LEAST_WINDOW, window // 4 * 2)
    room = max(LEAST_WINDOW, window // 2) / 2 + STRIP_REACH + 9
    strips = {
        (i, j): spots((places[i], places[j]), previews[i].texture, MOST_STRIP, margin_px=room, shy_px=room + 1)
        for i, j in sorted(few | narrow)
    }
    alike = replace(context.settings.ties, least_correlation=STRIP_ALIKE)
    read, workers = _reader(context), context.workers
    found = measure(places, strips, read, window_px=side, reach_px=STRIP_REACH, settings=alike, workers=workers)
    counts = counted(found)
    held = [pair in said or counts[pair] >= least for pair in zip(found.a.tolist(), found.b.tolist(), strict=True)]
    return chosen(found, np.array(held, bool))


def _said_neighbors(context: SurveyContext, places: Sequence[Placement]) -> set[tuple[int, int]]:
    """Indices of pieces that a person has said to be neighbors."""
    hints, index = context.hints, {place.tile: i for i, place in enumerate(places)}
    said = [(one.a, one.b) for one in hints.same_point] + [(one.a, one.b) for one in hints.together]
    said += [(one.piece, one.of) for one in hints.beside]
    return {(min(index[a], index[b]), max(index[a], index[b])) for a, b in said if a in index and b in index}


def _reader(context: SurveyContext) -> ReadGray:
    """Gray windows of pieces by name."""
    byname = {tile.name: tile for tile in context.tiles}

    def read(name: str, box: Box) -> NDArray[np.float32]:
        return gray_of(context.shelf.window(byname[name], box))

    return read


def bed_groups(context: SurveyContext) -> list[int]:
    """Bed number per tile: tiles of one dpi and (within 2 %) one size are taken to come from one bed."""
    groups: list[tuple[float, tuple[int, ...]]] = []
    numbers = []
    for tile, dpi in zip(context.tiles, context.dpi, strict=True):
        kind = (float(dpi), tile.raster.shape[:2])
        found = next((k for k, other in enumerate(groups) if _alike(kind, other)), len(groups))
        if found == len(groups):
            groups.append(kind)
        numbers.append(found)
    return numbers


def _alike(one: tuple[float, tuple[int, ...]], two: tuple[float, tuple[int, ...]]) -> bool:
    sizes = all(abs(a / b - 1) < 0.02 for a, b in zip(one[1], two[1], strict=True))
    return sizes and abs(one[0] / two[0] - 1) < 0.01


def _frame(context: SurveyContext, scales: Mapping[str, float], reference: int) -> Frame:
    groups = np.array(bed_groups(context))
    shapes = {}
    for g in sorted(set(groups.tolist())):
        mine = np.flatnonzero(groups == g)
        sizes = [context.tiles[i].raster.shape[:2] for i in mine]
        size = (max(s[0] for s in sizes), max(s[1] for s in sizes))
        shapes[g] = BedShape(size, float(context.px_per_mm[mine[0]]))
    expected = np.array([scales[tile.name] for tile in context.tiles])
    names = [tile.name for tile in context.tiles]
    held = [names.index(one.piece) for one in context.hints.hold if one.piece in names]
    return Frame(expected, groups, shapes, reference, tuple(i for i in held if i != reference))


def _told(ties: Ties, places: Sequence[Placement], solved: Alignment) -> dict[str, Any]:
    """Numbers for the record."""
    left = misses(places, ties)[solved.weight > 0.25]
    numbers: dict[str, Any] = {
        "ties": len(ties.a),
        "kept": int((solved.weight > 0.25).sum()),
        "rms_px_rigid_and_bed": round(solved.rms, 4),
        "rms_px": round(float(np.sqrt((left**2).mean())), 4) if len(left) else None,
        "p99_px": round(float(np.percentile(left, 99)), 4) if len(left) else None,
    }
    return numbers
