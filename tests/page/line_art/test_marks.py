"""I check that what is left white in black stays paper, and that small areas between thick lines do not."""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.page.line_art.fill import Region
from stitchbed.page.page import page_of_array
from stitchbed.pipelines.flats import FlatsSettings, lines_of, region_map

DPI = 300.0
PX_PER_MM = DPI / 25.4


def left_as_paper(alpha: np.ndarray, *, every_line: bool = False) -> tuple[list[Region], list[Region]]:
    """Regions away from the page's edge that stay paper, and that are colored."""
    page = page_of_array(255 - alpha, DPI)
    _, regions = region_map(page, lines_of(page, 0.25), FlatsSettings(workers=1, every_line=every_line))
    inner = [region for region in regions if not region.edge]
    return [one for one in inner if one.ground], [one for one in inner if not one.ground]


def black_sign() -> np.ndarray:
    """A black board: four letters of 4 mm, a star of 3 mm, two windows."""
    board = np.zeros((400, 700), np.uint8)
    cv2.rectangle(board, (50, 50), (650, 350), 255, -1)
    cv2.putText(board, "TIDE", (80, 140), cv2.FONT_HERSHEY_SIMPLEX, 2.0, 0, 8, cv2.LINE_AA)
    turn = np.linspace(0, 2 * np.pi, 11)[:-1]
    out = np.where(np.arange(10) % 2, 0.45, 1.0) * 1.5 * PX_PER_MM
    star = np.stack([150 + out * np.sin(turn), 260 - out * np.cos(turn)], axis=1)
    cv2.fillPoly(board, [np.rint(star).astype(np.int32)], 0)
    for left in (300, 400):
        cv2.rectangle(board, (left, 220), (left + 30, 280), 0, -1)  # 2.5 mm wide
    return cv2.GaussianBlur(board, (0, 0), 0.6)


def test_letters_and_stars_left_white_in_black_stay_paper_and_windows_do_not() -> None:
    paper, areas = left_as_paper(black_sign())
    assert len(paper) >= 5  # four letters in a part or two each, a star
    assert [round(one.col) // 100 for one in areas] == [3, 4]


def test_where_every_line_counts_they_are_areas_too() -> None:
    paper, areas = left_as_paper(black_sign(), every_line=True)
    assert not paper and len(areas) >= 7


def test_small_panes_between_thick_bars_are_areas() -> None:
    grid = np.zeros((400, 400), np.uint8)
    for at in range(50, 350, 27):  # 1.4 mm of paper, .85 mm of bar
        cv2.line(grid, (at, 45), (at, 325), 255, 10)
        cv2.line(grid, (45, at), (325, at), 255, 10)
    paper, areas = left_as_paper(cv2.GaussianBlur(grid, (0, 0), 0.6))
    assert not paper and len(areas) >= 64
