"""I check what a clean page is told to be made with: washes are paint, black strokes ink, soft gray strokes pencil."""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.page.found_medium import medium_found
from stitchbed.page.page import page_of_array


def strokes(tone: int, width: int) -> np.ndarray:
    """(900, 900) gray strokes in pairs of directions on white."""
    sheet = np.full((900, 900), 255, np.uint8)
    for n in range(30):
        cv2.line(sheet, (40 + 27 * n, 100), (20 + 29 * n, 800), tone, width, cv2.LINE_AA)
    return sheet


def test_one_of_each() -> None:
    wash = cv2.circle(np.full((900, 900, 3), 255, np.uint8), (450, 450), 300, (160, 190, 220), -1, cv2.LINE_AA)
    for dpi in (300.0, 600.0):
        assert medium_found(page_of_array(wash, dpi)) == "paint"
        assert medium_found(page_of_array(strokes(10, 5), dpi)) == "ink"
        assert medium_found(page_of_array(strokes(230, 4), dpi), workers=2) == "pencil"


def test_a_page_smaller_than_a_cell_of_the_small_view_is_ink_for_want_of_marks() -> None:
    assert medium_found(page_of_array(np.full((3, 4), 255, np.uint8), 1200.0)) == "ink"
