"""I know how captures of a bed cover a sheet, which of them must be turned, and in which order they are taken.

In: sizes in mm, the least overlap, the sides on which nothing can hang over the bed. Out: frozen layouts.

Sheet frame: mm from the sheet's top left corner as the picture is looked at, x right, y down. Sides of the bed are
named as they come out in the scan ("top" is the top of the scanner's picture), so nobody has to think of the
mirrored view one has of a sheet lying face down.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace

from stitchbed.core.errors import BadSettings

Size = tuple[float, float]

SIDES = ("top", "right", "bottom", "left")  # clockwise, so that a quarter turn is one step
MOST_CAPTURES = 300  # two working days of laying at a minute and a half each; larger plans are slips of the keys
AT_EDGE_MM = 0.5  # nearer than this a capture ends with the sheet; thinner than any frame a sheet could hang over


@dataclass(frozen=True)
class Capture:
    """One scan. x_mm, y_mm: top left corner of what the bed sees, sheet frame; negative where the bed is larger.

    turn_deg : how far the picture is turned clockwise in the scan: 0, 90, 180 or 270.
    hangs_over : sides of the bed beyond which the sheet goes on. sheet_side_at : bed side -> sheet side lying there.
    reachable : False when the sheet would have to pass a closed side.
    """

    number: int
    row: int
    col: int
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    turn_deg: int
    hangs_over: tuple[str, ...]
    sheet_side_at: dict[str, str]
    reachable: bool


@dataclass(frozen=True)
class CapturePlan:
    """A grid of captures in the order they are taken. overlap: (x, y) mm between neighbors, None with one column/row.

    bed_turned : the bed lies across, so the sheet is turned by a quarter on the glass.
    """

    columns: int
    rows: int
    bed_turned: bool
    overlap_mm: tuple[float | None, float | None]
    captures: tuple[Capture, ...]

    @property
    def unreachable(self) -> tuple[int, ...]:
        """Numbers of the captures for which the sheet would pass a closed side."""
        return tuple(capture.number for capture in self.captures if not capture.reachable)


def captures_along(length_mm: float, bed_mm: float, overlap_mm: float) -> int:
    """Captures needed along one side: ceil((L - o) / (b - o)).

    Raises
    ------
    BadSettings : the overlap leaves nothing of the bed.
    """
    if not 0 <= overlap_mm < bed_mm:
        raise BadSettings(
            f"an overlap of {overlap_mm:g} mm on a bed side of {bed_mm:g} mm",
            expected="an overlap shorter than the bed",
            attempt=f"--overlap {bed_mm / 5:.0f}mm",
        )
    return max(1, math.ceil((length_mm - overlap_mm) / (bed_mm - overlap_mm) - 1e-9))


def best_layout(art_mm: Size, bed_mm: Size, *, overlap_mm: float, closed: Collection[str] = ()) -> CapturePlan:
    """The layout with the fewest captures out of reach; of those the fewest captures, then the least turning.

    More columns or rows than needed never bring a capture into reach, so the two ways to lay the bed
    are all there is to try.

    Raises
    ------
    BadSettings : the overlap leaves nothing of the bed, or the sheet takes more than MOST_CAPTURES.
    """
    counts = {
        turned: captures_needed(art_mm, bed_mm, overlap_mm=overlap_mm, bed_turned=turned) for turned in (False, True)
    }
    ways = [turned for turned, count in counts.items() if count <= MOST_CAPTURES]
    if not ways:
        raise BadSettings(
            f"{min(counts.values())} captures of {bed_mm[0]:g} x {bed_mm[1]:g} mm for a sheet "
            f"of {art_mm[0]:g} x {art_mm[1]:g} mm",
            expected=f"at most {MOST_CAPTURES} captures",
            attempt="look at the sizes of sheet and bed and their units, take less overlap, or photograph the sheet",
        )
    layouts = [grid_layout(art_mm, bed_mm, overlap_mm=overlap_mm, closed=closed, bed_turned=turned) for turned in ways]
    return min(layouts, key=_effort)


def captures_needed(art_mm: Size, bed_mm: Size, *, overlap_mm: float, bed_turned: bool) -> int:
    """Captures of a grid, counted without laying it."""
    seen = (bed_mm[1], bed_mm[0]) if bed_turned else bed_mm
    return math.prod(captures_along(length, side, overlap_mm) for length, side in zip(art_mm, seen, strict=True))


def _effort(layout: CapturePlan) -> tuple[int, int, int, bool]:
    turns = len({capture.turn_deg for capture in layout.captures})
    return len(layout.unreachable), len(layout.captures), turns, layout.bed_turned


def grid_layout(
    art_mm: Size, bed_mm: Size, *, overlap_mm: float, closed: Collection[str], bed_turned: bool
) -> CapturePlan:
    """Captures spread evenly over the sheet, ordered so that the sheet is turned once and moves one step at a time."""
    seen = (bed_mm[1], bed_mm[0]) if bed_turned else bed_mm
    counts = [captures_along(length, side, overlap_mm) for length, side in zip(art_mm, seen, strict=True)]
    lefts, tops = (_starts(art_mm[axis], seen[axis], counts[axis]) for axis in (0, 1))
    cells = [(row, col) for row in range(counts[1]) for col in range(counts[0])]
    loose = [_capture((row, col), (lefts[col], tops[row], *seen), art_mm, closed, bed_turned) for row, col in cells]
    ordered = sorted(loose, key=lambda c: (c.turn_deg, c.row, c.col if c.row % 2 == 0 else -c.col))
    overlaps = [_overlap(art_mm[axis], seen[axis], counts[axis]) for axis in (0, 1)]
    numbered = tuple(replace(capture, number=index) for index, capture in enumerate(ordered, start=1))
    return CapturePlan(counts[0], counts[1], bed_turned, (overlaps[0], overlaps[1]), numbered)


def mark_places(layout: CapturePlan, art_mm: Size, *, inset_mm: float = 15.0) -> list[tuple[float, float]]:
    """Where marks help (mm, sheet frame): the ends of each overlap of neighbors that lie at the sheet's margin.

    Inside the sheet there is no margin to put a mark on, so overlaps that reach no edge have none.
    inset_mm : from the sheet's edge, so that a mark of 20 mm is whole in both captures.
    """
    places: list[tuple[float, float]] = []
    by_cell = {(capture.row, capture.col): capture for capture in layout.captures}
    for (row, col), first in sorted(by_cell.items()):
        for beside in ((row, col + 1), (row + 1, col)):
            if beside in by_cell:
                places += _ends(first, by_cell[beside], art_mm, inset_mm)
    return _apart([place for place in places if _from_edge(place, art_mm) <= inset_mm + AT_EDGE_MM], inset_mm)


def _starts(length: float, side: float, count: int) -> list[float]:
    if count == 1:
        return [(length - side) / 2]
    return [(length - side) * index / (count - 1) for index in range(count)]


def _overlap(length: float, side: float, count: int) -> float | None:
    return None if count == 1 else round(side - (length - side) / (count - 1), 3)


def _capture(
    cell: tuple[int, int], seen: tuple[float, float, float, float], art_mm: Size, closed: Collection[str], turned: bool
) -> Capture:
    """The capture of one cell, turned so that closed sides lie along the sheet's own edges where that can be."""
    goes_on = _goes_on(seen, art_mm)
    turns = (90, 270) if turned else (0, 180)
    tried = [(turn, tuple(side for side in SIDES if goes_on[_sheet_side(side, turn)])) for turn in turns]
    reachable = [not set(hanging) & set(closed) for _, hanging in tried]
    turn, hanging = tried[reachable.index(True) if True in reachable else 0]
    sides = {side: _sheet_side(side, turn) for side in SIDES}
    return Capture(0, *cell, *seen, turn, hanging, sides, True in reachable)


def _goes_on(seen: tuple[float, float, float, float], art_mm: Size) -> dict[str, bool]:
    """Sheet side -> True when the sheet goes on beyond that side of the capture."""
    left, top, width, height = seen
    return {
        "top": top > AT_EDGE_MM,
        "right": left + width < art_mm[0] - AT_EDGE_MM,
        "bottom": top + height < art_mm[1] - AT_EDGE_MM,
        "left": left > AT_EDGE_MM,
    }


def _sheet_side(bed_side: str, turn_deg: int) -> str:
    """The sheet's side that lies at a side of the bed: a quarter clockwise brings the left to the scan's top."""
    return SIDES[(SIDES.index(bed_side) - turn_deg // 90) % 4]


def _ends(a: Capture, b: Capture, art_mm: Size, inset: float) -> list[tuple[float, float]]:
    left, right = max(a.x_mm, b.x_mm, 0), min(a.x_mm + a.width_mm, b.x_mm + b.width_mm, art_mm[0])
    top, bottom = max(a.y_mm, b.y_mm, 0), min(a.y_mm + a.height_mm, b.y_mm + b.height_mm, art_mm[1])
    if right - left < bottom - top:
        x = (left + right) / 2
        return [(x, top + inset), (x, bottom - inset)]
    y = (top + bottom) / 2
    return [(left + inset, y), (right - inset, y)]


def _from_edge(place: tuple[float, float], art_mm: Size) -> float:
    return min(place[0], place[1], art_mm[0] - place[0], art_mm[1] - place[1])


def _apart(places: list[tuple[float, float]], least: float) -> list[tuple[float, float]]:
    kept: list[tuple[float, float]] = []
    for place in places:
        if all(math.dist(place, other) >= 2 * least for other in kept):
            kept.append((round(place[0], 1), round(place[1], 1)))
    return kept
