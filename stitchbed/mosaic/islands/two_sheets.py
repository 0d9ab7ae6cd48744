"""I find pieces of two sheets of one printed form among pieces that all fit: they differ in what was filled in.

In: what overlaps show, and where pieces lie. Out: the pieces of either sheet; none where all is one sheet.

Lines and words that are printed lie right on each other, so each overlap of two such sheets is likely by itself. But
pieces of one sheet agree in every cell of what they share, and those of two do not: where the overlaps of a set fall
into ones that agree and ones that differ here and there, and those that differ all lie between two groups of pieces,
the groups are two sheets. What moved between two scans lies at one place; a soft scan is less alike everywhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late
from stitchbed.imaging.transforms import moved
from stitchbed.matching.overlap_evidence import SPECK, Evidence

nx = late("networkx")

Pair = tuple[str, str]


@dataclass(frozen=True)
class TwoSheetsSettings:
    """unlike: by how much less alike than most a cell is that differs. share, bare: least of the drawing between two
    sheets that differs, and that is in one of two pieces only: .06 to .5 and .015 to .1 between forms filled in twice,
    0 to .03 and 0 to .005 within one sheet. times: by how many times more than within the sheets. cells: of drawing
    between sheets that differ at least. near_mm, at_once: what moved between scans has this share of all that differs
    so near to its middle. less: by how much less alike the best tenth of what two sheets share may be than half of what
    one does: what both print is as alike; 0 to .01 between forms, .06 where a scan is soft.
    """

    unlike: float = 0.15
    share: float = 0.05
    bare: float = 0.015
    times: float = 2.5
    cells: float = 3.0
    near_mm: float = 25.0
    at_once: float = 0.65
    less: float = 0.03
    few: float = 0.8
    few_bare: float = 0.015
    few_times: float = 20.0
    few_overlaps: int = 2


@dataclass(frozen=True)
class _Seen:
    """What one overlap shows: cells' worth of drawing, how much of it differs, how much is in one of the two pieces
    only; and of each cell with drawing its middle (n, 2) px of the sheet, its likeness, and what of it differs."""

    drawn: float
    differs: float
    bare: float
    middle: Array
    likeness: Array
    weight: Array


def two_sheets(
    seen: Mapping[Pair, Evidence], places: Mapping[str, Array], px_per_mm: float, settings: TwoSheetsSettings
) -> tuple[list[str], list[str]] | None:
    """The pieces of either sheet, the larger group first; None for one sheet.

    seen : of pairs that overlap. places : sheet_from_tile 3x3. px_per_mm : of the sheet.
    """
    told = {pair: _seen(one, places[pair[0]], settings.unlike) for pair, one in seen.items()}
    near_px = settings.near_mm * px_per_mm
    differing = {pair: one.differs / max(one.drawn * settings.share, 1e-9) for pair, one in told.items()}
    entered = {pair: one.bare / max(one.drawn * settings.few_bare, 1e-9) for pair, one in told.items()}
    for doubts, apart in ((differing, _apart), (entered, _apart_by_few)):
        for sides in _cuts(told, doubts, places):
            if apart(told, set(sides[0]), near_px, settings):
                return sides
    return None


def _cuts(
    told: Mapping[Pair, _Seen], doubts: Mapping[Pair, float], places: Iterable[str]
) -> Iterator[tuple[list[str], list[str]]]:
    """Two groups of pieces, the larger first, for each overlap of more doubt than 1: what parts its pieces at the least
    cost of overlaps without doubt."""
    graph = nx.Graph()
    graph.add_nodes_from(sorted(places))
    for (a, b), one in sorted(told.items()):
        graph.add_edge(a, b, capacity=one.drawn * max(0.0, 1 - doubts[a, b]) + 0.01)
    for a, b in sorted(pair for pair in told if doubts[pair] > 1):
        larger, smaller = sorted((sorted(side) for side in nx.minimum_cut(graph, a, b)[1]), key=len, reverse=True)
        yield larger, smaller


def _seen(evidence: Evidence, place: Array, unlike: float) -> _Seen:
    strong = evidence.drawing > SPECK
    drawing, likeness = evidence.drawing[strong], evidence.likeness[strong]
    if not len(drawing):
        return _Seen(0.0, 0.0, 0.0, np.zeros((0, 2)), np.zeros(0), np.zeros(0))
    usual = float(np.quantile(likeness, 0.75))
    weight = np.where(likeness < usual - unlike, drawing, 0.0)
    drawn = float(drawing.sum())
    middle = moved(place, evidence.middle[strong])
    return _Seen(drawn, float(weight.sum()), evidence.bare * drawn, middle, likeness, weight)


def _parted(told: Mapping[Pair, _Seen], side: set[str]) -> tuple[list[_Seen], list[_Seen]]:
    """Overlaps between a group of pieces and the others, and those within either."""
    across = [one for pair, one in told.items() if (pair[0] in side) != (pair[1] in side)]
    return across, [one for pair, one in told.items() if (pair[0] in side) == (pair[1] in side)]


def _apart(told: Mapping[Pair, _Seen], side: set[str], near_px: float, settings: TwoSheetsSettings) -> bool:
    """Whether the overlaps between two groups of pieces differ all over, and those within the groups do not."""
    across, within = _parted(told, side)
    drawn, inside = (max(sum(one.drawn for one in group), 1e-9) for group in (across, within))
    differs, bare = sum(one.differs for one in across), sum(one.bare for one in across)
    usual = [sum(one.differs for one in within) / inside, sum(one.bare for one in within) / inside]
    if inside < drawn / 4 or differs < settings.cells:
        return False  # nothing tells what one sheet looks like
    if differs / drawn < max(settings.share, settings.times * usual[0]):
        return False
    if bare / drawn < max(settings.bare, settings.times * usual[1]):
        return False
    return _print_alike(across, within, settings.less) and _at_once(across, near_px) < settings.at_once


def _apart_by_few(told: Mapping[Pair, _Seen], side: set[str], near_px: float, settings: TwoSheetsSettings) -> bool:
    """Whether overlaps between two groups of pieces show at several places what stands in one piece only, and none
    within the groups does."""
    across, within = _parted(told, side)
    drawn, inside = (max(sum(one.drawn for one in group), 1e-9) for group in (across, within))
    entered = [one for one in across if one.bare > settings.few_bare * one.drawn]
    bare, usual = sum(one.bare for one in across), sum(one.bare for one in within) / inside
    if inside < drawn / 2 or len(entered) < settings.few_overlaps or bare < settings.few:
        return False
    if bare / drawn < max(settings.few_bare, settings.few_times * usual):
        return False
    return _print_alike(across, within, settings.less) and _at_once(entered, near_px) < settings.at_once


def _print_alike(across: list[_Seen], within: list[_Seen], less: float) -> bool:
    """Whether the best of what two groups of pieces share is as alike as what one shares by itself."""
    best, half = (
        np.quantile(np.concatenate([one.likeness for one in group]), part)
        for group, part in ((across, 0.9), (within, 0.5))
    )
    return bool(best >= half - less)


def _at_once(seen: list[_Seen], near_px: float) -> float:
    """Share of what differs that lies near to its middle, 0..1; 1 where nothing does."""
    middle = np.concatenate([one.middle for one in seen])
    weight = np.concatenate([one.weight for one in seen])
    if not (weight > 0).any():
        return 1.0
    at = np.median(middle[weight > 0], axis=0)
    near = np.hypot(*(middle - at).T) < near_px
    return float(weight[near].sum() / weight.sum())
