"""I check that regions keep their numbers over a page cut elsewhere, by boxes moved and stretched by hand."""

from __future__ import annotations

import pytest

from stitchbed.page.line_art.fill import Region
from stitchbed.page.line_art.lasting import numbers_before

CELL = 0.1  # mm
BOXES = {1: (0, 0, 100, 300), 2: (120, 30, 80, 90), 3: (130, 150, 60, 70), 4: (240, 40, 50, 200), 5: (250, 260, 90, 40)}


def region(number: int, box: tuple[int, int, int, int], area: int | None = None) -> Region:
    """A region that fills its box (row, col, height, width in cells), or as much of it as said."""
    row, col, high, wide = box
    area = high * wide if area is None else area
    return Region(number, area, box, row + (high - 1) / 2, col + (wide - 1) / 2, False, False)


def row(number: int, box: tuple[int, int, int, int], area: float | None = None) -> dict:
    """The same as a record tells it."""
    top, left, high, wide = (value * CELL for value in box)
    area = high * wide if area is None else area
    middle = {"x_mm": left + wide / 2, "y_mm": top + high / 2}
    return {"number": number, **middle, "box_mm": [left, top, wide, high], "area_mm2": area}


def shifted(box: tuple[int, int, int, int], down: int, right: int) -> tuple[int, int, int, int]:
    """The box moved."""
    return (box[0] + down, box[1] + right, *box[2:])


BEFORE = [row(10 * n, box) for n, box in BOXES.items()]


def test_nothing_has_no_numbers() -> None:
    assert numbers_before([], BEFORE, CELL) == {}
    assert numbers_before([region(1, BOXES[1])], [], CELL) == {}


@pytest.mark.parametrize(("down", "right"), [(0, 0), (30, -40), (70, 0), (0, -75)])
def test_a_page_cut_elsewhere_keeps_all(down: int, right: int) -> None:
    now = [region(n, shifted(BOXES[6 - n], down, right)) for n in range(1, 6)]
    assert numbers_before(now, BEFORE, CELL) == {1: 50, 2: 40, 3: 30, 4: 20, 5: 10}


def test_a_page_shifted_too_far_keeps_none() -> None:
    assert numbers_before([region(1, shifted(BOXES[4], 81, 0))], [row(7, BOXES[4])], CELL) == {}
    assert numbers_before([region(1, shifted(BOXES[4], 79, 0))], [row(7, BOXES[4])], CELL) == {1: 7}


def test_one_that_moved_by_itself_is_another() -> None:
    now = [region(n, shifted(box, 20, 0) if n != 3 else shifted(box, 37, 0)) for n, box in BOXES.items()]
    assert numbers_before(now, BEFORE, CELL) == {1: 10, 2: 20, 4: 40, 5: 50}  # 1.7 mm more than the rest
    now[2] = region(3, shifted(BOXES[3], 33, 0))  # 1.3 mm
    assert numbers_before(now, BEFORE, CELL)[3] == 30


@pytest.mark.parametrize(
    ("box", "area", "kept"),
    [
        ((0, 0, 100, 100), 10_000, True),
        ((0, 0, 100, 136), 13_600, True),  # a fifth of 13.6, and a millimeter more
        ((0, 0, 100, 140), 14_000, False),
        ((0, 0, 74, 100), 7_400, True),  # a fifth of 10, and a millimeter less
        ((0, 0, 69, 100), 6_900, False),
        ((0, 0, 100, 100), 15_000, True),  # half as large again, and half a mm2
        ((0, 0, 100, 100), 15_060, False),
        ((0, 0, 100, 100), 6_640, True),  # 100 is 1.5 times that, and .4
        ((0, 0, 100, 100), 6_600, False),
    ],
)
def test_how_much_one_may_change(box: tuple[int, int, int, int], area: int, kept: bool) -> None:
    now = [region(4, box, area)]
    assert numbers_before(now, [row(9, (0, 0, 100, 100))], CELL) == ({4: 9} if kept else {})


def test_of_two_halves_the_more_alike_keeps_the_number() -> None:
    left, right = region(1, (0, 0, 100, 48)), region(2, (0, 50, 100, 120))
    assert numbers_before([left, right], [row(9, (0, 45, 100, 125))], CELL) == {2: 9}


def test_each_number_is_given_once_and_the_nearest_wins() -> None:
    twins = [region(1, (0, 0, 50, 50)), region(2, (0, 8, 50, 50))]
    assert numbers_before(twins, [row(5, (0, 7, 50, 50))], CELL) == {2: 5}
    before = [row(5, (0, 1, 50, 50)), row(6, (0, 9, 50, 50))]
    assert numbers_before(twins, before, CELL) == {1: 5, 2: 6}
