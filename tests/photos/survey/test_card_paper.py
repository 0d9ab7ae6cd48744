"""I check that the paper round a card is known: cut along its line, or the whole sheet it was printed on."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from stitchbed.card.detection import CORNER_SIGMA_PX, find_cards
from stitchbed.card.sheet import PAPERS, sheets
from stitchbed.drawing.raster import pixels_of
from stitchbed.photos.geometry.bundle_adjustment import PlaneSettings, solve_plane
from stitchbed.photos.geometry.initial_guess import CardPoints
from stitchbed.photos.survey.card_paper import CUT_MM, on_card, papers_of
from stitchbed.photos.survey.photo import gray_of, opened

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


def test_a_cut_card_ends_at_its_line(tmp_path: Path) -> None:
    beside, uncut, covered = seen(tmp_path / "cut.png", "A4", cut=True)
    assert beside == pytest.approx([CUT_MM] * 4)
    assert uncut == () and not covered.any()
