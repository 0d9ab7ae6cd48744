"""I check that drawn shapes cover the area their millimeters say, in pixels and in the PDF."""

from __future__ import annotations

import cv2
import numpy as np
import pypdfium2
import pytest

from stitchbed.card.detection import find_cards
from stitchbed.card.sheet import sheets
from stitchbed.color.profiles import srgb_profile
from stitchbed.drawing.pdf import pdf_of
from stitchbed.drawing.raster import pixels_of
from stitchbed.drawing.shapes import CardPage, Grid, Polygon, Rect, Text

DPI = 96.0
PX = DPI / 25.4
ONE_CODE = 1.0 / 255  # mixing rounds to 8 bits; a pixel is off by half a code at most
PDF_DPI = 600  # the viewer moves edges to whole pixels, so it draws fine and the result is averaged down
SMALL = 4


def ink(page: CardPage) -> float:
    """mm^2 of black on a page."""
    return float((255 - pixels_of(page, DPI)[..., 0].astype(float)).sum() / 255 / PX**2)


@pytest.mark.parametrize(
    ("shape", "area"),
    [
        (Rect(3.3, 4.7, 10.21, 5.55, (0, 0, 0)), 10.21 * 5.55),
        (Polygon(((5, 5), (15, 6), (14, 16), (4, 15)), (0, 0, 0)), 101.0),  # by the shoelace formula
        (Grid(2.2, 3.3, 1.7, np.eye(5, dtype=bool)), 5 * 1.7**2),
    ],
)
def test_area_of_shapes(shape: Rect | Polygon | Grid, area: float) -> None:
    covered = ink(CardPage(30, 30, (shape,)))
    assert covered == pytest.approx(area, rel=0.004)  # rounding to codes along about 100 edge pixels


def test_edges_fall_where_the_millimeters_say() -> None:
    page = CardPage(30, 10, (Rect(10.13, 0, 10, 10, (0, 0, 0)),))
    row = 1 - pixels_of(page, DPI)[5, :, 0] / 255.0
    center = float((row * (np.arange(len(row)) + 0.5)).sum() / row.sum()) / PX
    assert center == pytest.approx(15.13, abs=2 * ONE_CODE / PX)


def test_dark_neighbors_leave_no_seam() -> None:
    page = CardPage(20, 20, (Grid(1.37, 1.37, 0.83, np.ones((9, 9), bool)),))
    inner = pixels_of(page, DPI)[8:28, 8:28]
    assert inner.max() == 0


def test_text_shows() -> None:
    assert 0.5 < ink(CardPage(40, 10, (Text(2, 7, 4, "plain words"),))) < 60


@pytest.fixture(scope="module")
def pdf_pages() -> list[np.ndarray]:
    pages = [sheet.page for sheet in sheets("letter", "all")]
    document = pypdfium2.PdfDocument(pdf_of(pages, "Reference card", srgb_profile()))
    assert len(document) == 2
    for number in range(2):
        width, height = document[number].get_size()
        assert (width, height) == pytest.approx((612, 792), abs=0.01)  # ANSI letter, 8.5 x 11 in, points
    pages = [np.asarray(document[n].render(scale=PDF_DPI / 72).to_pil().convert("L")) for n in range(2)]
    return [
        cv2.resize(page[:6600, :5100], (5100 // SMALL, 6600 // SMALL), interpolation=cv2.INTER_AREA) for page in pages
    ]


def test_pdf_shows_the_same_page_as_the_pixels(pdf_pages: list[np.ndarray]) -> None:
    """Fonts differ, so text areas are left out: the upper half of the corner page has almost none."""
    drawn = pixels_of(sheets("letter", "corner")[0].page, PDF_DPI / SMALL)[..., 1]
    half = 900
    difference = np.abs(pdf_pages[1][:half].astype(int) - drawn[:half])
    assert difference.mean() < 2.6  # of 255; edges moved by up to a fine pixel, and the signature; measured 1.7
    assert np.mean(difference > 96) < 0.0035  # nothing is missing or in another place; measured .0024, at edges


def test_cards_are_found_in_the_pdf_at_the_size_they_are_drawn(pdf_pages: list[np.ndarray]) -> None:
    for page, expected in zip(pdf_pages, (1, 4), strict=True):
        cards, warnings = find_cards(page, "page")
        assert len(cards) == expected and not warnings
        for card in cards:
            assert card.share == 1.0
            assert card.square_px == pytest.approx(
                10 * PDF_DPI / SMALL / 25.4, rel=8e-4
            )  # .05 mm over 70: a fine pixel
