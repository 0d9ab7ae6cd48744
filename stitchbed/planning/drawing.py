"""I draw a plan of captures as one A4 page: the sheet with every capture, and how the sheet lies for each.

In: sheet, bed and layout in mm. Out: a `SvgPage`.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

from stitchbed.drawing.svg import Point, Polygon, SvgPage, Words, box, line
from stitchbed.planning.captures import SIDES, Capture, CapturePlan

Shape = Polygon | Words

PAGE = (210.0, 297.0)
MARGIN = 12.0
MAP = (MARGIN, 30.0, 186.0, 128.0)  # x, y, width, height of the sheet's map
CARDS = (MARGIN, 178.0, 186.0, 100.0)  # of the little pictures of the bed
INK, SOFT, PAPER, GRID, CLOSED = "#23272e", "#55524a", "#f6f2e7", "#9a9484", "#a4452c"
TINTS = ("#2f6f73", "#b07a1e", "#6a5a8c", "#4f7d3a")  # neighbors never share one: two along rows, two along columns
LISTED = 30  # numbers in one line of words
CARD_VIEW = 0.42  # share of the bed shown around it


@dataclass(frozen=True)
class PlanSheet:
    """What the page shows. marks: places in mm, sheet frame. heading: first line. closed: sides of the bed."""

    art_mm: tuple[float, float]
    bed_mm: tuple[float, float]
    layout: CapturePlan
    marks: list[tuple[float, float]]
    heading: str
    closed: Collection[str]


def plan_page(sheet: PlanSheet) -> SvgPage:
    """The page to print."""
    shapes: list[Shape] = [Words(MARGIN, 15, sheet.heading, 5.2)]
    shapes += _legend(sheet)
    shapes += _map(sheet)
    shapes += _cards(sheet)
    return SvgPage(*PAGE, tuple(shapes), sheet.heading)


def on_bed(point: Point, capture: Capture) -> Point:
    """A place on the sheet (mm, sheet frame) in the frame of the scan: mm from the bed's top left as it comes out."""
    x, y = point[0] - capture.x_mm, point[1] - capture.y_mm
    width, height = capture.width_mm, capture.height_mm
    turned = {0: (x, y), 90: (height - y, x), 180: (width - x, height - y), 270: (y, width - x)}
    return turned[capture.turn_deg]


def _legend(sheet: PlanSheet) -> list[Shape]:
    turns = {capture.turn_deg for capture in sheet.layout.captures}
    text = "Numbers give the order. The small triangle points to the side that lies at the top of the scan."
    shapes: list[Shape] = [Words(MARGIN, 21, text, 3.2, SOFT)]
    if len(turns) > 1:
        half = "Turn the sheet by half a turn where it points the other way."
        any_way = "Turn the sheet until the triangle points to the top of the scan."
        shapes.append(Words(MARGIN, 25.5, any_way if len({turn % 180 for turn in turns}) > 1 else half, 3.2, SOFT))
    if sheet.marks:
        shapes.append(
            Words(
                MARGIN,
                164.5,
                "+  place for a small mark on the bare margin, where the overlap shows paper only",
                3.2,
                SOFT,
            )
        )
    return shapes


def _map(sheet: PlanSheet) -> list[Shape]:
    """The sheet with all captures, drawn a little apart so that coinciding sides stay visible."""
    width, height = sheet.art_mm
    scale = min(MAP[2] / width, MAP[3] / height)
    left, top = MAP[0] + (MAP[2] - width * scale) / 2, MAP[1] + (MAP[3] - height * scale) / 2
    shapes: list[Shape] = [Polygon(box(left, top, width * scale, height * scale), PAPER, INK, 0.5)]
    for capture in sheet.layout.captures:
        shapes += _map_capture(capture, sheet.art_mm, (left, top, scale))
    centers = tuple(_center(capture, sheet.art_mm, (left, top, scale)) for capture in sheet.layout.captures)
    if len(centers) > 1:
        shapes.append(line(*centers, stroke=GRID, width=0.35, dash=1.6))
    for capture, center in zip(sheet.layout.captures, centers, strict=True):
        shapes += _badge(capture, center)
    for x, y in sheet.marks:
        shapes.append(Words(left + x * scale, top + y * scale, "+", 4.5, CLOSED, "middle"))
    shapes.append(Words(left + width * scale / 2, top + height * scale + 3, f"{width:g} mm", 3, SOFT, "middle"))
    shapes.append(Words(left + width * scale + 1.5, top + height * scale / 2, f"{height:g} mm", 3, SOFT))
    return shapes


def _tint(capture: Capture) -> str:
    return TINTS[capture.row % 2 * 2 + capture.col % 2]


def _map_capture(capture: Capture, art: tuple[float, float], place: tuple[float, float, float]) -> list[Shape]:
    left, top, scale = place
    x0, y0 = max(capture.x_mm, 0), max(capture.y_mm, 0)
    x1, y1 = min(capture.x_mm + capture.width_mm, art[0]), min(capture.y_mm + capture.height_mm, art[1])
    inset = 0.5 + 0.7 * (capture.row % 2 * 2 + capture.col % 2)
    corners = box(
        left + x0 * scale + inset,
        top + y0 * scale + inset,
        (x1 - x0) * scale - 2 * inset,
        (y1 - y0) * scale - 2 * inset,
    )
    return [Polygon(corners, _tint(capture), _tint(capture), 0.5, opacity=0.10)]


def _center(capture: Capture, art: tuple[float, float], place: tuple[float, float, float]) -> Point:
    left, top, scale = place
    x = (max(capture.x_mm, 0) + min(capture.x_mm + capture.width_mm, art[0])) / 2
    y = (max(capture.y_mm, 0) + min(capture.y_mm + capture.height_mm, art[1])) / 2
    return left + x * scale, top + y * scale


def _badge(capture: Capture, center: Point) -> list[Shape]:
    """The number on a disk, and a triangle toward the side at the top of the scan."""
    x, y = center
    disk = tuple((x + 4 * math.cos(a * math.pi / 12), y + 4 * math.sin(a * math.pi / 12)) for a in range(24))
    up = SIDES.index(capture.sheet_side_at["top"])
    dx, dy = ((0, -1), (1, 0), (0, 1), (-1, 0))[up]
    tip = [(x + 7.2 * dx, y + 7.2 * dy)]
    foot = [(x + 4.6 * dx + side * dy * 1.7, y + 4.6 * dy + side * dx * 1.7) for side in (-1, 1)]
    color = _tint(capture) if capture.reachable else CLOSED
    return [
        Polygon(disk, "#ffffff", color, 0.6),
        Polygon((*tip, *foot), color),
        Words(x, y, str(capture.number), 4.4, INK, "middle"),
    ]


def _cards(sheet: PlanSheet) -> list[Shape]:
    """One little picture per capture: the bed and how the sheet lies on it, as it comes out in the scan."""
    count = len(sheet.layout.captures)
    columns = max(
        range(1, count + 1), key=lambda n: _card_scale((CARDS[2] / n, CARDS[3] / -(-count // n)), sheet.bed_mm)
    )
    rows = -(-count // columns)
    cell = CARDS[2] / columns, CARDS[3] / rows
    shapes: list[Shape] = [Words(MARGIN, 172, "How the sheet lies for each capture, as it comes out in the scan", 4.2)]
    for index, capture in enumerate(sheet.layout.captures):
        corner = CARDS[0] + index % columns * cell[0], CARDS[1] + index // columns * cell[1]
        shapes += _card(capture, sheet, (*corner, *cell))
    note = "Thick red side: nothing can hang over the bed there." if sheet.closed else "All sides of the bed are open."
    return [*shapes, Words(MARGIN, 286, note, 3.2, SOFT), *_out_of_reach(sheet.layout)]


def _out_of_reach(layout: CapturePlan) -> list[Shape]:
    """Which captures cannot be laid, in words, as far as a line holds them."""
    numbers = [str(number) for number in layout.unreachable]
    if not numbers:
        return []
    listed = ", ".join(numbers[:LISTED]) + (f" and {len(numbers) - LISTED} more" if len(numbers) > LISTED else "")
    return [Words(MARGIN, 291, f"OUT OF REACH, crossed out: {listed}", 3.6, CLOSED)]


def _card(capture: Capture, sheet: PlanSheet, cell: tuple[float, float, float, float]) -> list[Shape]:
    bed = sheet.bed_mm
    scale = _card_scale(cell[2:], bed)
    left, top = cell[0] + (cell[2] - bed[0] * scale) / 2, cell[1] + (cell[3] - bed[1] * scale) / 2
    corners = [on_bed(corner, capture) for corner in ((0.0, 0.0), sheet.art_mm)]
    shapes = _clipped_sheet(corners, bed, (left, top, scale))
    shapes.append(Polygon(box(left, top, bed[0] * scale, bed[1] * scale), _tint(capture), INK, 0.35, opacity=0.16))
    for side in sheet.closed:
        shapes.append(line(*_side(side, (left, top, bed[0] * scale, bed[1] * scale)), stroke=CLOSED, width=1.2))
    middle = left + bed[0] * scale / 2, top + bed[1] * scale / 2
    size = min(6.0, bed[0] * scale / 3)
    up = {0: "upright", 90: "turned 90", 180: "turned 180", 270: "turned 270"}[capture.turn_deg]
    if not capture.reachable:
        up = "out of reach"
        shapes += _crossed((left, top, bed[0] * scale, bed[1] * scale))
    shapes.append(Words(middle[0], middle[1] - size * 0.6, str(capture.number), size, INK, "middle"))
    return [*shapes, Words(middle[0], middle[1] + size * 0.5, up, size * 0.4, INK, "middle")]


def _crossed(rect: tuple[float, float, float, float]) -> list[Shape]:
    corners = box(*rect)
    return [line(corners[end], corners[end + 2], stroke=CLOSED, width=0.6) for end in (0, 1)]


def _card_scale(cell: tuple[float, float], bed: tuple[float, float]) -> float:
    """Page mm per bed mm, so that the bed and a part of the sheet around it fill a cell."""
    return 0.94 * min(cell[0] / bed[0], cell[1] / bed[1]) / (1 + 2 * CARD_VIEW)


def _clipped_sheet(corners: list[Point], bed: tuple[float, float], place: tuple[float, float, float]) -> list[Shape]:
    """The sheet around the bed, cut at the picture's edge; only the sheet's own sides are drawn as lines."""
    left, top, scale = place
    sheet = [(min(c[axis] for c in corners), max(c[axis] for c in corners)) for axis in (0, 1)]
    shown = [(-CARD_VIEW * bed[axis], (1 + CARD_VIEW) * bed[axis]) for axis in (0, 1)]
    (x0, x1), (y0, y1) = (
        (max(low, least), min(high, most)) for (low, high), (least, most) in zip(sheet, shown, strict=True)
    )
    at = [left + x0 * scale, top + y0 * scale, (x1 - x0) * scale, (y1 - y0) * scale]
    shapes: list[Shape] = [Polygon(box(at[0], at[1], at[2], at[3]), PAPER)]
    own = {"left": x0 == sheet[0][0], "right": x1 == sheet[0][1], "top": y0 == sheet[1][0], "bottom": y1 == sheet[1][1]}
    for side in SIDES:
        if own[side]:
            shapes.append(line(*_side(side, (at[0], at[1], at[2], at[3])), stroke=GRID, width=0.4))
    return shapes


def _side(side: str, rect: tuple[float, float, float, float]) -> tuple[Point, Point]:
    corners = box(*rect)
    index = SIDES.index(side)
    return corners[index], corners[(index + 1) % 4]
