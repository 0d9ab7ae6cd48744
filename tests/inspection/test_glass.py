"""I check that what keeps its place on the glass is told from drawing that meets itself there."""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.core.arrays import Bytes
from stitchbed.inspection.glass import smear

ROWS, COLS, PITCH = 720, 600, 14  # view px; from line to line of the lettering


def _lettered(seed: int, first: int) -> Bytes:
    """Lines of lettering, the first of those within a patch so many px below its top."""
    rng = np.random.default_rng(seed)
    page = np.full((ROWS, COLS), 220, np.uint8)
    tops = [*range(int(rng.integers(0, PITCH)), 260, PITCH), *range(260 + first, 440, PITCH)]
    tops += range(446 + int(rng.integers(0, PITCH)), ROWS - PITCH, PITCH)
    for top in tops:
        for x in np.arange(10, COLS - 14, 7) + rng.integers(0, 7):
            cv2.line(page, (int(x), top), (int(x + rng.integers(-2, 3)), top + 6), 60, 1, cv2.LINE_AA)
    soft = cv2.GaussianBlur(page.astype(np.float32), (0, 0), 0.7) + rng.normal(0, 1.5, page.shape)
    return np.asarray(np.clip(np.rint(soft), 0, 255), np.uint8)


def test_lines_of_lettering_that_lie_at_the_same_rows_in_a_part_of_all_scans_are_no_smear() -> None:
    pages = [_lettered(seed, 3) for seed in range(5)]
    assert smear(pages) is None
    rng = np.random.default_rng(9)
    ridges = np.zeros((ROWS, COLS), np.float32)
    x, y = np.meshgrid(np.arange(COLS), np.arange(ROWS))
    away = np.hypot(x - 300, y - 340)
    ridges[away < 70] = (22 * np.sin(away * 1.6 + 0.3 * np.sin(x / 9)))[away < 70]
    prints = [np.clip(_lettered(seed, int(rng.integers(0, PITCH))) + ridges, 0, 255) for seed in range(5)]
    found = smear([np.asarray(page, np.uint8) for page in prints])
    assert found is not None and np.hypot(found.x - 300, found.y - 340) < 40
