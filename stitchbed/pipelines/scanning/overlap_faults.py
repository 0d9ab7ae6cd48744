"""I tell which pieces of a join are to be scanned again by what their overlaps show, as `check` does.

In: pieces and where they lie. Out: words.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations

from stitchbed.core.arrays import Array, Pixels
from stitchbed.imaging.box import Box
from stitchbed.imaging.transforms import between
from stitchbed.inspection.checks.head import without_head
from stitchbed.inspection.checks.lying import SAME_SHARE
from stitchbed.inspection.checks.moved import moved_findings, moved_sheets
from stitchbed.inspection.checks.pairs import of_either, pair_findings
from stitchbed.inspection.checks.sets import smear_finding
from stitchbed.inspection.differences import Difference, difference_of
from stitchbed.inspection.findings import PairEvidence, believed_dpi, usual_dpi
from stitchbed.inspection.looks import Glance
from stitchbed.inspection.overlaps import compare
from stitchbed.inspection.patches import Course, course_of, overlay
from stitchbed.inspection.smears import LEAST_SIDE, LEAST_VIEWS, smear_shown, usual_sized
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.implied_overlaps import shared
from stitchbed.pipelines.scanning.moving import error_of
from stitchbed.pipelines.scanning.own_faults import glance, said, together
from stitchbed.pipelines.scanning.softness import soft_pieces
from stitchbed.reading.base.tile import Tile

LEAST_SHARED = 0.1  # of a piece: neighbors side by side, not those that touch at a corner
TOLD_APART = 3  # pieces with one fault, each of which is told where it is
MOST_ALIKE = 24  # pieces looked at for what the glass does to all: more tell no more, and take time


@dataclass(frozen=True)
class Faults:
    """words : of what is to be scanned again. off_px : px of the sheet by which most places may be off for it."""

    words: list[str]
    off_px: float = 0.0


def overlap_faults(
    context: SurveyContext, tiles: Sequence[Tile], places: Sequence[Placement], unlike: Collection[str] = ()
) -> Faults:
    """What pieces show in their overlaps that none of their neighbors shows, and what no overlap reaches. unlike :
    names of those beside which a good one may look soft."""
    pairs = _pairs(places)
    if not pairs:
        return Faults([])
    dpi = believed_dpi(tiles)
    followed = [(pair, _motion(places, pair)) for pair in pairs]
    with ThreadPoolExecutor(context.workers) as pool:
        looks = tuple(pool.map(lambda tile: glance(context, tile), tiles))
        on_glass = pool.submit(_on_glass, tiles, looks, places)
        moving = pool.submit(moved_sheets, looks, dpi)
        seen = list(pool.map(lambda at: _compared(looks, dpi, *at), followed))
        differences = tuple(difference for _, difference in seen if difference is not None)
        courses = without_head([course for course, _ in seen], looks, dpi)
        evidence = PairEvidence(tuple(tiles), looks, (), courses, differences)
        odd = [index for index, tile in enumerate(tiles) if tile.name in unlike]
        found = pair_findings(evidence, odd)
        if any(finding.fault == "smear" for _, finding in found):
            # none is believed of pieces whose light differs all over; comparing light costs most, and is rarely asked
            comparisons = tuple(pool.map(lambda at: compare(looks, *at), followed))
            found = pair_findings(replace(evidence, comparisons=comparisons), odd)
        read = partial(_read, context, tiles)
        dusty = {index for index, finding in found if finding.fault == "dust"}
        found += soft_pieces(looks, followed, differences, dusty, read, pool)
        moved = moving.result()
        found += moved_findings(moved, dpi)
    either = [f"{finding.why}; {finding.change}" for finding in of_either(evidence)]
    told = together([(tiles[index].name, finding) for index, finding in found], TOLD_APART)
    return Faults([*told, *either, *on_glass.result()], error_of(moved, places, pairs) if moved else 0.0)


def glass_faults(context: SurveyContext) -> list[str]:
    """What lies on the glass in all pieces, in words, of pieces for which no place was found: it speaks against all."""
    tiles = [tile for tile in context.tiles if min(tile.raster.shape[:2]) >= LEAST_SIDE]
    if len(tiles) < LEAST_VIEWS:
        return []
    with ThreadPoolExecutor(context.workers) as pool:
        looks = tuple(pool.map(lambda tile: glance(context, tile), tiles))
    return _on_glass(tiles, looks, ())


def _read(context: SurveyContext, tiles: Sequence[Tile], index: int, boxes: Sequence[Box]) -> list[Pixels]:
    return [context.shelf.window(tiles[index], box) for box in boxes]


def _on_glass(tiles: Sequence[Tile], looks: Sequence[Glance], places: Sequence[Placement]) -> list[str]:
    """What the glass does to all pieces alike, none of them the same place scanned again."""
    again = {b for _, b in _pairs(places, SAME_SHARE)}
    alike = usual_sized([look for index, look in enumerate(looks) if index not in again])
    patch = smear_shown(alike[:: -(-len(alike) // MOST_ALIKE)])
    return [said("all pieces", smear_finding(patch, usual_dpi(tiles)))] if patch else []


def _compared(
    looks: Sequence[Glance], dpi: Sequence[float], pair: tuple[int, int], motion: Array
) -> tuple[Course, Difference | None]:
    """How the second piece of a pair lies on the first, and what one shows alone."""
    laid = overlay(looks[pair[0]], looks[pair[1]], motion)
    course = course_of(looks, pair, motion, dpi[pair[1]] / dpi[pair[0]], laid)
    return course, difference_of(looks, pair, motion, laid)


def _pairs(places: Sequence[Placement], least: float = LEAST_SHARED) -> list[tuple[int, int]]:
    """Indices of pieces that lie on each other, over so much of a piece at least."""
    motions = {str(index): place.sheet_from_tile for index, place in enumerate(places)}
    sizes = {str(index): place.size for index, place in enumerate(places)}
    every = combinations(range(len(places)), 2)
    return [(a, b) for a, b in every if shared(motions, sizes, str(a), str(b)) > least]


def _motion(places: Sequence[Placement], pair: tuple[int, int]) -> Array:
    a, b = (places[index].sheet_from_tile for index in pair)
    return between(a, b)
