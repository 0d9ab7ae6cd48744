"""I check that a line drawn along the bed is told from a dead cell by what a neighbor shows."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.transfer import transfer_of
from stitchbed.inspection.looks import Glance, glance_at
from stitchbed.inspection.sensor.drawn_lines import is_drawn
from stitchbed.inspection.sensor.lines import columns_of

ROWS, COLS, STEP, ASIDE = 480, 360, 380, 14  # px of a piece; from one to the next down the sheet, and across
CELL = 150  # px: the column of a dead cell
B_FROM_A = np.array([[1, 0, -ASIDE], [0, 1, -STEP], [0, 0, 1.0]])


def _sheet(seed: int, line: int | None) -> Floats:
    """(h, w) gray: strokes on paper, and a ruled line, `line` px from the left."""
    rng = np.random.default_rng(seed)
    sheet = np.full((ROWS + STEP, COLS + ASIDE), 225, np.uint8)
    for _ in range(60):
        points = rng.uniform(0, 1, 2) * sheet.shape[::-1] + np.cumsum(rng.normal(0, 9, (12, 2)), axis=0)
        cv2.polylines(sheet, [np.int32(points * 8)], False, int(rng.integers(30, 150)), 2, cv2.LINE_AA, 3)
    if line is not None:
        sheet[:, line] = 170
    return sheet.astype(np.float32)


def _glance(gray: Floats, seed: int) -> Glance:
    noisy = gray + np.random.default_rng(seed).normal(0, 1.0, gray.shape)
    view: NDArray[np.uint8] = np.rint(np.clip(noisy, 0, 255)).astype(np.uint8)[..., None]
    return glance_at(view, (ROWS, COLS), transfer_of(None))


def _pair(seed: int, line: int | None, dead: tuple[int, ...] = ()) -> list[Glance]:
    """Two pieces, one below the other; those of `dead` have a cell that writes too little."""
    sheet = _sheet(seed, line)
    views = [sheet[:ROWS, :COLS].copy(), sheet[STEP:, ASIDE:].copy()]
    for index in dead:
        views[index][:, CELL] -= 40
    return [_glance(view, index) for index, view in enumerate(views)]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_two_scans_show_at_one_place_of_the_sheet_is_drawn(seed: int) -> None:
    one, two = _pair(seed, line=CELL)
    told = columns_of(one.gray.astype(np.float32), 1)
    assert CELL in [streak.at for streak in told]  # by itself it might be a cell's
    near = B_FROM_A + np.array([[0, 0, 0.8], [0, 0, -0.7], [0, 0, 0]])  # as well as pieces are laid at a first look
    assert is_drawn(one, 1, CELL, [(two, near)])
    assert is_drawn(two, 1, CELL - ASIDE, [(one, np.linalg.inv(near))])


@pytest.mark.parametrize("dead", [(0,), (0, 1)])
@pytest.mark.parametrize("seed", [4, 5, 6])
def test_what_keeps_its_place_on_the_bed_is_not(seed: int, dead: tuple[int, ...]) -> None:
    one, two = _pair(seed, None, dead)
    assert not is_drawn(one, 1, CELL, [(two, B_FROM_A)])


def test_nothing_is_told_by_a_scan_laid_down_just_so_or_by_none() -> None:
    sheet = _sheet(7, CELL)
    one, two = _glance(sheet[:ROWS, :COLS], 1), _glance(sheet[STEP:, :COLS], 2)
    below = np.array([[1, 0, 0], [0, 1, -STEP], [0, 0, 1.0]])
    assert not is_drawn(one, 1, CELL, [(two, below)])  # one cell may be at fault in both
    assert not is_drawn(one, 1, CELL, [])
