"""I check that the paper round a card is known: cut along its line, or the whole sheet it was printed on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from flat_photos import fit_of, photo, scaled

from stitchbed.card.board import SQUARE_MM
from stitchbed.card.detection import CORNER_SIGMA_PX, find_cards
from stitchbed.card.patches import patch_corners
from stitchbed.card.sheet import PAPERS, sheets
from stitchbed.drawing.raster import pixels_of
from stitchbed.photos.geometry.output_frame import Facing
from stitchbed.photos.geometry.plane_pose import card_on_plane, on_frame, photo_from_plane, plane_from_photo
from stitchbed.photos.plane.survey import survey_plane
from stitchbed.photos.solving.bundle_adjustment import solve_plane
from stitchbed.photos.solving.initial_guess import CardPoints
from stitchbed.photos.solving.plane_equations import PlaneSettings
from stitchbed.photos.survey.card_paper import CUT_MM, cards_in, on_card, papers_of
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


def test_a_corner_card_that_cannot_be_read_is_kept_clear_of() -> None:
    """Three are read, the fourth shows its squares and gray blots for markers; two cards were all that were laid."""
    density, places = 2.0, {1: (40.0, 40.0), 2: (460.0, 40.0), 3: (460.0, 390.0), 4: (40.0, 390.0)}
    picture = np.full((1000, 1200, 3), 110, np.uint8)
    for x, y in places.values():
        left, top, side = round(density * x), round(density * y), round(density * SQUARE_MM)
        picture[top : top + round(density * 74), left : left + round(density * 96)] = 230
        for row in range(5):
            for column in range(8):
                at = (top + 16 + row * side, left + 10 + column * side)
                picture[at[0] : at[0] + side, at[1] : at[1] + side] = 30 if (row + column) % 2 == 0 else 230
    scene = [photo(picture)]
    fit = fit_of(scene, [scaled(density)])
    fit = replace(fit, params=on_frame(replace(fit, params=np.zeros_like(fit.params)), np.eye(3)).params)
    for read, left_out in (((1, 2, 3), [4]), ((1, 2, 3, 4), [])):
        laid = replace(fit, poses={f"corner {n}": np.array([*places[n], 0.0]) for n in read})
        papers = papers_of(scene, laid)
        middles = np.array([np.add(places[n], (45.0, 33.0)) for n in left_out]).reshape(-1, 2)
        assert papers.unread == pytest.approx(middles, abs=8.0)
        clear = cards_in((500, 600), laid, papers, Facing(0.0, 0.0, 0.0, 600.0, 500.0), 1.0)
        assert clear[40:114, 460:556].all() and clear[395:460, 45:130].all()
        assert not clear[150:350].any()
        assert on_card(laid, papers, np.array([[90.0, 420.0], [90.0, 330.0]])).tolist() == [True, False]
