"""I check how a picture is found to lie on a page, and how strips are put together, by matrices worked out by hand.

Reference: ISO 32000-1:2008, 7.7.3.3 (Rotate is clockwise, UserUnit), 8.3.3 (y up), 8.9.5.1 (the first row on top of the
unit square); TIFF 6.0 (1992), tag 274, for what each orientation means.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pikepdf
import pytest
from pikepdf import Array, Rectangle

from stitchbed.reading.pdf.content import Painted
from stitchbed.reading.pdf.picture import Colors, PdfPicture
from stitchbed.reading.pdf.placement import Placement, Sheet, placed, sheet_of
from stitchbed.reading.pdf.strips import alike, stacked

SHEET = Sheet((0.0, 0.0, 72.0, 144.0), 0, 1.0)
SIZE = (600, 300)  # px: 300 dpi on one inch by two
# where the corner of the first row and column is seen, and which way the first row runs, on an upright page
LIES = {
    1: (72, 0, 0, 144, 0, 0),  # top left, to the right
    2: (-72, 0, 0, 144, 72, 0),  # top right, to the left
    3: (-72, 0, 0, -144, 72, 144),  # bottom right, to the left
    4: (72, 0, 0, -144, 0, 144),  # bottom left, to the right
    5: (0, -72, -144, 0, 144, 72),  # top left, down
    6: (0, -72, 144, 0, 0, 72),  # top right, down
    7: (0, 72, 144, 0, 0, 0),  # bottom right, up
    8: (0, 72, -144, 0, 144, 0),  # bottom left, up
}
CLOCKWISE = {1: 6, 6: 3, 3: 8, 8: 1, 2: 7, 7: 4, 4: 5, 5: 2}  # what a quarter turn makes of each


def turned(degrees: float, shear: float = 0.0) -> tuple[float, ...]:
    """The matrix of a picture turned counterclockwise, its columns by `shear` more."""
    a, b = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    c, d = -math.sin(math.radians(degrees + shear)), math.cos(math.radians(degrees + shear))
    return (72 * a, 72 * b, 144 * c, 144 * d, 0, 0)


@pytest.mark.parametrize("orientation", LIES)
def test_each_of_eight_ways_is_known_and_turns_with_the_page(orientation: int) -> None:
    sheet = replace(SHEET, box=(0.0, 0.0, 144.0, 72.0)) if orientation > 4 else SHEET
    seen = orientation
    for turns in range(4):
        found = placed(LIES[orientation], replace(sheet, turns=turns), SIZE)
        assert found == Placement(seen, (300.0, 300.0), True, 0.0)
        seen = CLOCKWISE[seen]


def test_dpi_is_that_of_stored_columns_and_rows() -> None:
    found = placed((0, 36, -144, 0, 144, 0), SHEET, SIZE)
    assert found is not None and found.dpi == (600.0, 300.0)
    found = placed((72, 0, 0, 144, 0, 0), replace(SHEET, unit=2.0), SIZE)
    assert found is not None and found.dpi == (150.0, 150.0)


@pytest.mark.parametrize(
    ("points", "px", "dpi"),
    [
        (595, 2480, 300.0),  # 300.101, and half a point of 595 is .252 dpi
        (595.28, 2480, 300.0),  # 299.960, and half a px of 2480 is .060
        (595.28, 2481, 300.0806),  # farther than that
        (595.28, 2483, 300.3225),  # 2483 / 595.28 * 72: no rounding explains it
        (602.4, 2480, 296.4143),
        (72, 301, 300.0),  # half a point of 72 is 2.1 dpi
        (72.5, 301, 299.0),  # 298.93, and half a px of 301 is .5
    ],
)
def test_dpi_is_what_rounding_explains(points: float, px: int, dpi: float) -> None:
    found = placed((points, 0, 0, points, 0, 0), SHEET, (px, px))
    assert found is not None and found.dpi == (dpi, dpi)


@pytest.mark.parametrize(("points", "px", "known"), [(720, 9, False), (720, 20, True), (1, 270, True), (1, 290, False)])
def test_absurd_densities_are_not_told(points: float, px: int, known: bool) -> None:
    found = placed((points, 0, 0, points, 0, 0), SHEET, (px, px))
    assert found is not None and (found.dpi is not None) is known


@pytest.mark.parametrize(("degrees", "fine"), [(0.5, True), (-4.9, True), (5.1, False), (-5.1, False), (45, False)])
def test_a_picture_may_be_straightened_by_some_degrees(degrees: float, fine: bool) -> None:
    for more in (0, 90, 180, 270):
        found = placed(turned(degrees + more), SHEET, SIZE)
        assert (found is not None) is fine
        if found is not None:
            assert math.isclose(found.askew_deg, degrees, abs_tol=1e-9)
            assert found.dpi == (300.0, 300.0)


@pytest.mark.parametrize(("shear", "fine"), [(0.09, True), (-0.09, True), (0.11, False), (-0.11, False)])
def test_a_sheared_picture_has_no_place(shear: float, fine: bool) -> None:
    assert (placed(turned(1, shear), SHEET, SIZE) is not None) is fine


@pytest.mark.parametrize(
    "matrix",
    [
        (72, 0, 0, 0, 0, 0),
        (0, 0, 0, 72, 0, 0),
        (72, 0, 72, 0, 0, 0),
        (math.nan, 0, 0, 1, 0, 0),
        (1, 0, 0, 1, math.inf, 0),
    ],
)
def test_what_has_no_area_or_is_no_number_has_no_place(matrix: tuple[float, ...]) -> None:
    assert placed(matrix, SHEET, SIZE) is None


@pytest.mark.parametrize(
    ("matrix", "fills"),
    [
        ((72, 0, 0, 144, 0, 0), True),
        ((90, 0, 0, 160, -9, -8), True),  # more than the page
        ((71, 0, 0, 142, 0.5, 1), True),  # 98.6 % each way
        ((70, 0, 0, 144, 1, 0), False),  # 97.2 % across
        ((72, 0, 0, 141, 0, 3), False),  # 97.9 % down
        ((72, 0, 0, 144, 2, 0), False),  # beside the page by 2.8 %
        ((72, 0, 0, 144, 0, -3), False),
        ((-72, 0, 0, -144, 72, 144), True),  # a half turn paints the same place
        ((-72, 0, 0, -144, 0, 0), False),  # and so nothing of the page
    ],
)
def test_whether_a_picture_fills_the_page(matrix: tuple[float, ...], fills: bool) -> None:
    found = placed(matrix, SHEET, SIZE)
    assert found is not None and found.fills is fills


def test_facts_of_a_page() -> None:
    document = pikepdf.new()
    page = document.add_blank_page(page_size=(200, 100))
    assert sheet_of(page) == Sheet((0.0, 0.0, 200.0, 100.0), 0, 1.0)
    page.cropbox = Rectangle(10, 20, 110, 90)
    page.obj.Rotate, page.obj.UserUnit = -90, 2.5
    assert sheet_of(page) == Sheet((10.0, 20.0, 110.0, 90.0), 3, 2.5)
    page.obj.CropBox = Array([110, 90, 10, 20])  # any two opposite corners will do (7.9.5)
    page.obj.Rotate, page.obj.UserUnit = 450, 0
    assert sheet_of(page) == Sheet((10.0, 20.0, 110.0, 90.0), 1, 1.0)


def strip(bottom: float, height_px: int, *, px: float = 0.5, width: int = 40, **changed: float) -> Painted:
    """A strip of `height_px` rows with its lower edge at `bottom` points; changed : entries a .. f of its matrix."""
    entries = {"a": 20.0, "b": 0.0, "c": 0.0, "d": height_px * px, "e": 3.0, "f": bottom} | changed
    matrix = tuple(entries[name] for name in "abcdef")
    return Painted({"/Height": height_px, "/Width": width}, matrix, True, False)  # type: ignore[arg-type]


def test_strips_are_ordered_from_the_top_and_painted_as_one() -> None:
    top, middle, low = strip(30, 20), strip(15, 30), strip(10, 10)
    whole = stacked([low, top, middle])
    assert whole == ((top, middle, low), (20.0, 0.0, 0.0, 30.0, 3.0, 10.0))  # 60 rows of half a point on 10


@pytest.mark.parametrize("miss", [0.24, -0.24])  # points, of a px of .5
def test_strips_may_miss_by_less_than_half_a_pixel(miss: float) -> None:
    assert stacked([strip(30, 20), strip(15 + miss, 30)]) is not None
    assert stacked([strip(30, 20), strip(15, 30, e=3 + miss)]) is not None


@pytest.mark.parametrize(
    "second",
    [
        strip(15.26, 30),  # over the first
        strip(14.74, 30),  # a gap
        strip(15, 30, e=3.26),
        strip(15, 30, e=2.74),
        strip(15, 30, width=41),
        strip(15, 30, a=20.03),
        strip(15, 30, d=15.03, f=14.97),  # other rows
        strip(15, 30, b=0.03),
        strip(15, 30, c=-0.03),
        strip(15, 0, d=15),
    ],
)
def test_what_lies_otherwise_is_no_strip(second: Painted) -> None:
    assert stacked([strip(30, 20), second]) is None


def test_strips_upside_down_or_mirrored_are_not_put_together() -> None:
    assert stacked([strip(30, 20, a=-20.0), strip(15, 30, a=-20.0)]) is None
    assert stacked([strip(30, 20, d=-10.0, f=40), strip(15, 30, d=-15.0, f=30)]) is None


def test_strips_are_alike_when_one_continues_the_other() -> None:
    one = PdfPicture(9, 40, 8, 3, Colors(3), ("FlateDecode",), 1, False, False, None)
    low = replace(one, height=2, packed=("DCTDecode",), inverted=True)
    assert alike([one, low]) and alike([one])
    others = (replace(one, width=41), replace(one, bits=16), replace(one, colors=Colors(1)))
    for other in (*others, replace(one, colors=Colors(3, icc=b"another"))):
        assert not alike([one, low, other])
