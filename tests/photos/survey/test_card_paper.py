"""I check that the paper round a card is known: cut along its line, or the whole sheet it was printed on."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from stitchbed.card.detection import CORNER_SIGMA_PX, find_cards
from stitchbed.card.patches import patch_corners
from stitchbed.card.sheet import PAPERS, sheets
from stitchbed.drawing.raster import pixels_of
from stitchbed.photos.geometry.plane_pose import card_on_plane, photo_from_plane, plane_from_photo
from stitchbed.photos.plane.survey import survey_plane
from stitchbed.photos.solving.bundle_adjustment import solve_plane
from stitchbed.photos.solving.initial_guess import CardPoints
from stitchbed.photos.solving.plane_equations import PlaneSettings
from stitchbed.photos.survey.card_paper import CUT_MM, on_card, papers_of
from stitchbed.photos.survey.photo import gray_of, opened
from stitchbed.photos.survey.plane_types import Asked

PX_PER_MM = 4.0
TABLE_MM = 40.0


def seen(path: Path, paper: str, *, cut: bool) -> tuple[np.ndarray, tuple[str, ...], np.ndarray]:
    """mm of paper beyond the full card as found, cards found uncut, and which places 5 mm beyond the card are paper."""
    sheet = sheets(paper, "full")[0]
    page = pixels_of(sheet.page, PX_PER_MM * 25.4)
    if cut:
        one = sheet.laid[0]
        left, top = round(one.x * PX_PER_MM), round(one.y * PX_PER_MM)
        page = page[top : top + round(256 * PX_PER_MM), left : left + round(190 * PX_PER_MM)]
    rim = round(TABLE_MM * PX_PER_MM)
    picture = cv2.copyMakeBorder(page, *[rim] * 4, cv2.BORDER_CONSTANT, value=(110, 115, 120))
    cv2.imwrite(str(path), cv2.GaussianBlur(picture, (0, 0), 0.7))
    with opened([path]) as (photos, _):
        (card,), _ = find_cards(gray_of(photos[0]), path.name)
        size = (picture.shape[1], picture.shape[0])
        points = CardPoints(0, card.piece, card.card_xy, card.photo_xy, CORNER_SIGMA_PX)
        fit = solve_plane([size], [points], settings=PlaneSettings(flat=True))
        papers = papers_of(photos, fit)
        beyond = np.array([[-5.0, 128], [195, 128], [95, -5], [95, 261]])
        return papers.beside["full"], papers.uncut, on_card(fit, papers, beyond)


@pytest.mark.parametrize("paper", PAPERS)
def test_a_whole_sheet_is_known_to_its_rim(paper: str, tmp_path: Path) -> None:
    beside, uncut, covered = seen(tmp_path / "sheet.png", paper, cut=False)
    x, y = (np.array(PAPERS[paper]) - [190, 256]) / 2
    assert beside == pytest.approx([x, y, x, y], abs=1.0)
    assert uncut == ("full",) and covered.all()


def shrunk_sheet(path: Path, which: str, shrink: float) -> tuple[np.ndarray, np.ndarray]:
    """Write an A4 sheet whose print was shrunk to fit the page; picture px of the page's corner, and of the sheet's."""
    page = pixels_of(sheets("A4", which)[0].page, PX_PER_MM * 25.4 * shrink)
    paper = np.rint(np.array(PAPERS["A4"]) * PX_PER_MM).astype(int)
    beside = (paper - [page.shape[1], page.shape[0]]) // 2
    rim = round(TABLE_MM * PX_PER_MM)
    sheet = cv2.copyMakeBorder(page, beside[1], beside[1], beside[0], beside[0], cv2.BORDER_CONSTANT, value=(255,) * 3)
    picture = cv2.copyMakeBorder(sheet, *[rim] * 4, cv2.BORDER_CONSTANT, value=(110, 115, 120))
    cv2.imwrite(str(path), cv2.GaussianBlur(picture, (0, 0), 0.7))
    return beside + rim - 0.5, np.array([rim, rim]) - 0.5


@pytest.mark.parametrize("which", ["full", "corner"])
@pytest.mark.parametrize("printed", [None, (152.0, 152.0)])
def test_a_sheet_shrunk_to_the_page_is_known_to_its_rim(
    which: str, printed: tuple[float, float] | None, tmp_path: Path
) -> None:
    """Measured by the check line or not: places on the print, and the paper beside it."""
    path = tmp_path / "sheet.png"
    page, rim = shrunk_sheet(path, which, 0.95)
    with opened([path]) as (photos, _):
        plane = survey_plane(photos, Asked(printed_mm=printed, scan=True))
    assert set(plane.papers.uncut) == {one.piece.name for one in sheets("A4", which)[0].laid}
    for one in sheets("A4", which)[0].laid:
        middles = np.array([patch_corners(patch).mean(0) for patch in one.piece.patches])
        seen = photo_from_plane(plane.fit, 0, card_on_plane(plane.fit, one.piece.name, middles))
        assert seen == pytest.approx(page + (middles + [one.x, one.y]) * 0.95 * PX_PER_MM, abs=2.0)
    inside = np.array([[2.0, 2.0], [208, 2], [208, 295], [2, 295]]) * PX_PER_MM + rim
    beyond = np.array([[-12.0, -12.0], [222, -12], [222, 309], [-12, 309]]) * PX_PER_MM + rim
    assert on_card(plane.fit, plane.papers, plane_from_photo(plane.fit, 0, inside)).all()
    assert not on_card(plane.fit, plane.papers, plane_from_photo(plane.fit, 0, beyond)).any()


def test_a_cut_card_ends_at_its_line(tmp_path: Path) -> None:
    beside, uncut, covered = seen(tmp_path / "cut.png", "A4", cut=True)
    assert beside == pytest.approx([CUT_MM] * 4)
    assert uncut == () and not covered.any()
