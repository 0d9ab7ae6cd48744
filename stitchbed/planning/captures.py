"""I know how captures of a bed cover a sheet, which of them must be turned, and in which order they are taken.

In: sizes in mm, the least overlap, the sides on which nothing can hang over the bed. Out: frozen layouts.

Sheet frame: mm from the sheet's top left corner as the picture is looked at, x right, y down. Sides of the bed are
named as they come out in the scan ("top" is the top of the scanner's picture), so nobody has to think of the
mirrored view one has of a sheet lying face down.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, combinations

from stitchbed.core.errors import BadSettings

Size = tuple[float, float]

SIDES = ("top", "right", "bottom", "left")  # clockwise, so that a quarter turn is one step
MOST_CAPTURES = 300  # two working days of laying at a minute and a half each; larger plans are slips of the keys
FEW_STRIPS = 5  # between the first and the last, that are laid in every order; of more it makes less difference
SIDE_SHARE = 0.5  # of a side that neighbors share; at a corner it is the overlap's share of the bed
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
    """Captures in the order they are taken: a grid, or rows (or columns) in which the bed lies now one way and now the
    other. overlap : least (x, y) mm between neighbors, None with one column/row. columns, rows : most of them.

    bed_turned : the bed lies across, so the sheet is turned by a quarter on the glass; None: in some captures.
    """

    columns: int
    rows: int
    bed_turned: bool | None
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

    More columns or rows than needed never bring a capture into reach. So all there is to try are the two ways to lay
    the bed, and rows (or columns) of which some are laid one way and some the other, captures of low rows either way.

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
    mixed = [strip_layout(art_mm, bed_mm, overlap_mm=overlap_mm, closed=closed, axis=axis) for axis in (1, 0)]
    return min([*layouts, *(one for one in mixed if one is not None)], key=_effort)


def captures_needed(art_mm: Size, bed_mm: Size, *, overlap_mm: float, bed_turned: bool) -> int:
    """Captures of a grid, counted without laying it."""
    seen = _seen(bed_mm, bed_turned)
    return math.prod(captures_along(length, side, overlap_mm) for length, side in zip(art_mm, seen, strict=True))


def _effort(layout: CapturePlan) -> tuple[int, int, int, int]:
    turns = len({capture.turn_deg for capture in layout.captures})
    return len(layout.unreachable), len(layout.captures), turns, (False, True, None).index(layout.bed_turned)


def grid_layout(
    art_mm: Size, bed_mm: Size, *, overlap_mm: float, closed: Collection[str], bed_turned: bool
) -> CapturePlan:
    """Captures spread evenly over the sheet, ordered so that the sheet is turned once and moves one step at a time."""
    seen = _seen(bed_mm, bed_turned)
    counts = [captures_along(length, side, overlap_mm) for length, side in zip(art_mm, seen, strict=True)]
    (lefts, x), (tops, y) = (_spread(art_mm[axis], [seen[axis]] * counts[axis]) for axis in (0, 1))
    cells = [(row, col) for row in range(counts[1]) for col in range(counts[0])]
    loose = [_capture((row, col), (lefts[col], tops[row], *seen), art_mm, closed, bed_turned) for row, col in cells]
    return CapturePlan(counts[0], counts[1], bed_turned, (x, y), _in_order(loose))


def strip_layout(
    art_mm: Size, bed_mm: Size, *, overlap_mm: float, closed: Collection[str], axis: int
) -> CapturePlan | None:
    """The best layout in rows (`axis` 1; 0: in columns) of which some have the bed upright and some across; None where
    the overlap leaves nothing of the bed.

    Every number of strips of both kinds is laid: what is out of reach in one depends on where it lies, too.
    """
    sides = {turned: _seen(bed_mm, turned)[axis] for turned in (False, True)}
    if overlap_mm >= min(bed_mm):
        return None
    ways = _ways_to_cover(art_mm[axis], sides, overlap_mm)
    return min((_laid(art_mm, bed_mm, way, (overlap_mm, axis), closed) for way in ways), key=_effort)


def _places(length: float, side: float) -> dict[str, float]:
    """Where the first, the last and any other of the captures (or strips) along a length begin."""
    return {"first": 0.0, "between": (length - side) / 2, "last": length - side}


def _cheapest(ways: Iterable[tuple[bool, ...]], cost: dict[tuple[bool, str], tuple[int, int]]) -> tuple[bool, ...]:
    """The way with the fewest out of reach, then the fewest captures, then the least turning. cost : (out of reach,
    captures) of each kind (is the bed turned) at each of `_places`; one alone has nothing beyond it, as one between.
    """

    def effort(way: tuple[bool, ...]) -> tuple[int, int, int, tuple[bool, ...]]:
        places = ["first", *["between"] * (len(way) - 2), "last"] if len(way) > 1 else ["between"]
        costs = [cost[turned, place] for turned, place in zip(way, places, strict=True)]
        return sum(lost for lost, _ in costs), sum(count for _, count in costs), len(set(way)), way

    return min(ways, key=effort)


def _ways_to_cover(length: float, sides: dict[bool, float], overlap: float) -> Iterator[tuple[bool, ...]]:
    """Kinds (is the bed turned), first to last, that cover a length with none too many."""
    yield from ((turned,) for turned, side in sides.items() if side >= length)
    for first, last in ((a, b) for a in sides for b in sides):
        left = length - sides[first] - sides[last] + overlap
        for upright in range(max(0, math.ceil(left / (sides[False] - overlap) - 1e-9)) + 1):
            rest = left - upright * (sides[False] - overlap)
            across = max(0, math.ceil(rest / (sides[True] - overlap) - 1e-9))
            between = upright + across
            for places in combinations(range(between), upright) if between <= FEW_STRIPS else [range(upright)]:
                yield (first, *(k not in places for k in range(between)), last)


def _laid(
    art_mm: Size, bed_mm: Size, strips: tuple[bool, ...], spread: tuple[float, int], closed: Collection[str]
) -> CapturePlan:
    """The captures of strips that share out what they cover too much. spread : least overlap, axis."""
    overlap, axis = spread
    starts, shared = _spread(art_mm[axis], [_seen(bed_mm, turned)[axis] for turned in strips])
    rows = [
        _strip(art_mm, bed_mm, (number, start, turned), closed, axis, overlap)
        for number, (turned, start) in enumerate(zip(strips, starts, strict=True))
    ]
    along = [[(one.width_mm, one.height_mm)[1 - axis] for one in row] for row in rows]
    beside = [_spread(art_mm[1 - axis], sides)[1] for sides in along]
    least = min((one for one in beside if one is not None), default=None)
    sizes, overlaps = (max(map(len, rows)), len(strips)), (least, shared)
    (across, down), (x, y) = (sizes, overlaps) if axis == 1 else (sizes[::-1], overlaps[::-1])
    captures = _in_order([capture for row in rows for capture in row])
    lies = {capture.turn_deg % 180 > 0 for capture in captures}
    return CapturePlan(across, down, lies.pop() if len(lies) == 1 else None, (x, y), captures)


def _strip(
    art_mm: Size, bed_mm: Size, at: tuple[int, float, bool], closed: Collection[str], axis: int, overlap: float
) -> list[Capture]:
    """The captures of one row (axis 1) or column. at : its number, mm from the sheet's top (or left), is the bed
    turned.
    """
    number, start, turned = at
    beside, found = 1 - axis, []
    lies = _lies(art_mm, bed_mm, (start, turned), closed, axis, overlap)
    starts, _ = _spread(art_mm[beside], [_seen(bed_mm, lie)[beside] for lie in lies])
    for index, (along, lie) in enumerate(zip(starts, lies, strict=True)):
        cell = (number, index) if axis == 1 else (index, number)
        found.append(_capture(cell, _part_seen((along, start), _seen(bed_mm, lie), art_mm, axis), art_mm, closed, lie))
    return found


def _lies(
    art_mm: Size, bed_mm: Size, at: tuple[float, bool], closed: Collection[str], axis: int, overlap: float
) -> tuple[bool, ...]:
    """Is the bed turned in each capture of a row (axis 1) or column: the same in all, or, as the lower of both kinds of
    rows is covered either way, as leaves the fewest out of reach. at : mm from the sheet's top (or left), is the bed
    turned.
    """
    start, turned = at
    beside = 1 - axis
    sides = {lie: _seen(bed_mm, lie)[beside] for lie in (False, True)}
    ways = [(turned,) * captures_along(art_mm[beside], sides[turned], overlap)]
    if closed and _seen(bed_mm, turned)[axis] < _seen(bed_mm, not turned)[axis]:
        ways += _ways_to_cover(art_mm[beside], sides, overlap)

    def cost(lie: bool, along: float) -> tuple[int, int]:
        seen = _part_seen((along, start), _seen(bed_mm, lie), art_mm, axis)
        return _strip_cost([_capture((0, 0), seen, art_mm, closed, lie)])

    places = [(lie, place, along) for lie in sides for place, along in _places(art_mm[beside], sides[lie]).items()]
    return _cheapest(ways, {(lie, place): cost(lie, along) for lie, place, along in places})


def _part_seen(at: Size, seen: Size, art_mm: Size, axis: int) -> tuple[float, float, float, float]:
    """(x, y, width, height) of a capture along a row (axis 1) or column; one that is higher than its row is drawn back
    onto the sheet. at : mm along the row, mm from the sheet's top (or left) to it.
    """
    along, start = at
    spare = art_mm[axis] - seen[axis]
    start = min(start, spare) if spare > 0 else spare / 2
    return ((along, start) if axis == 1 else (start, along)) + seen


def _seen(bed_mm: Size, turned: bool) -> Size:
    """What the bed covers of the sheet, mm across and down."""
    return (bed_mm[1], bed_mm[0]) if turned else bed_mm


def _strip_cost(strip: list[Capture]) -> tuple[int, int]:
    return sum(not capture.reachable for capture in strip), len(strip)


def _in_order(loose: list[Capture]) -> tuple[Capture, ...]:
    """Numbered so that the sheet is turned once and moves one step at a time."""
    ordered = sorted(loose, key=lambda c: (c.turn_deg, c.row, c.col if c.row % 2 == 0 else -c.col))
    return tuple(replace(capture, number=index) for index, capture in enumerate(ordered, start=1))


def mark_places(layout: CapturePlan, art_mm: Size, *, inset_mm: float = 15.0) -> list[tuple[float, float]]:
    """Where marks help (mm, sheet frame): the ends of each overlap of neighbors that lie at the sheet's margin.

    Inside the sheet there is no margin to put a mark on, so overlaps that reach no edge have none.
    inset_mm : from the sheet's edge, so that a mark of 20 mm is whole in both captures.
    """
    places: list[tuple[float, float]] = []
    for first, beside in _neighbors(layout):
        places += _ends(first, beside, art_mm, inset_mm)
    return _apart([place for place in places if _from_edge(place, art_mm) <= inset_mm + AT_EDGE_MM], inset_mm)


def _neighbors(layout: CapturePlan) -> list[tuple[Capture, Capture]]:
    """Captures side by side, by rows: those that share a good part of a side."""
    ordered = sorted(layout.captures, key=lambda capture: (capture.row, capture.col))
    return [(a, b) for a, b in combinations(ordered, 2) if _side_share(a, b) > SIDE_SHARE]


def _side_share(a: Capture, b: Capture) -> float:
    """Longer side of what two captures share, over the same side of the smaller one; 0 where they share nothing."""
    low = max(a.x_mm, b.x_mm), max(a.y_mm, b.y_mm)
    high = min(a.x_mm + a.width_mm, b.x_mm + b.width_mm), min(a.y_mm + a.height_mm, b.y_mm + b.height_mm)
    shared = high[0] - low[0], high[1] - low[1]
    least = min(a.width_mm, b.width_mm), min(a.height_mm, b.height_mm)
    return max(shared[0] / least[0], shared[1] / least[1]) if min(shared) > 0 else 0.0


def _spread(length: float, sides: Sequence[float]) -> tuple[list[float], float | None]:
    """(where each of some sides begins that share out evenly what they cover too much of a length, their overlap), mm;
    one alone lies in the middle and has no overlap."""
    if len(sides) == 1:
        return [(length - sides[0]) / 2], None
    shared = (sum(sides) - length) / (len(sides) - 1)
    return [before - shared * index for index, before in enumerate(accumulate(sides[:-1], initial=0.0))], round(
        shared, 3
    )


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
