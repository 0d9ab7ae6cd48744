"""I check that a scan which shook is told from one out of focus by what two views of one drawing show."""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.core.arrays import Floats
from stitchbed.inspection.differences import difference_of
from stitchbed.inspection.fineness import CELL, SMEAR_CELLS, drawn_cells, fine_power, jagged, leaning, smeared
from stitchbed.inspection.looks import Glance
from stitchbed.inspection.patches import Overlay

SIDE = 480  # px


def _drawn() -> Floats:
    """(SIDE, SIDE) gray: strokes on paper."""
    rng = np.random.default_rng(21)
    sheet = np.full((SIDE, SIDE), 225, np.uint8)
    for _ in range(150):
        points = rng.uniform(0, SIDE, 2) + np.cumsum(rng.normal(0, 9, (12, 2)), axis=0)
        cv2.polylines(sheet, [np.int32(points * 8)], False, int(rng.integers(30, 150)), 2, cv2.LINE_AA, 3)
    return cv2.GaussianBlur(sheet.astype(np.float32), (0, 0), 0.7)


def _leaning(a: Floats, b: Floats) -> float | None:
    laid = Overlay(a, b, np.ones(a.shape, bool))
    return leaning(laid, drawn_cells(laid, fine_power(laid)))


def test_a_scan_that_shook_leans_one_way_and_one_out_of_focus_does_not() -> None:
    sheet = _drawn()
    x, y = np.meshgrid(*(np.arange(SIDE, dtype=np.float32),) * 2)
    shook = cv2.remap(sheet, x + 1.5 * np.sin(y * 1.6), y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    smoothed = cv2.GaussianBlur(shook, (5, 1), 1.5)
    told = [_leaning(sheet, change) for change in (sheet, cv2.GaussianBlur(sheet, (0, 0), 1.4), shook, smoothed)]
    assert told[0] == 0
    assert told[1] is not None and abs(told[1]) < 0.2
    assert told[2] is not None and told[2] < -0.6
    assert told[3] is not None and told[3] < -0.8


def test_rows_that_lie_aside_are_told_also_where_shapes_are_soft() -> None:
    """As in paint, where little is fine enough to lean."""
    rng = np.random.default_rng(8)
    sheet = 150 + 60 * cv2.GaussianBlur(
        np.sign(cv2.GaussianBlur(rng.normal(0, 1, (SIDE, SIDE)), (0, 0), 12)), (0, 0), 1
    )
    x, y = np.meshgrid(*(np.arange(SIDE, dtype=np.float32),) * 2)
    askew = y + 0.02 * (x - SIDE / 2)  # rows of a scan laid down askew
    views = (
        (x + 1.3 * np.sin(askew), y, 0.3, 1.0),
        (x + 0.2 * np.sin(askew), y, 0.0, 0.05),
    )
    for across, down, least, most in views:
        noise = rng.normal(0, 1.5, (2, SIDE, SIDE))
        moved = cv2.remap(sheet, across.astype(np.float32), down, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        pair = [np.asarray(view, np.float32) for view in (sheet + noise[0], moved + noise[1])]
        for a, b in (pair, pair[::-1]):
            told = jagged(Overlay(a, b, np.ones(a.shape, bool)))
            assert told is not None and least <= told <= most
    assert jagged(Overlay(noise[0], noise[1], np.ones(sheet.shape, bool))) is None


def test_lines_that_run_one_way_lean_no_way_when_out_of_focus() -> None:
    """As in an engraving: across there is nothing but noise, which both scans have."""
    rows = 150 + 50 * np.sin(np.arange(SIDE, dtype=np.float32) * 2 * np.pi / 5.3)
    sheet = np.repeat(rows[:, None], SIDE, axis=1)
    sheet[330:] = 225
    noise = np.random.default_rng(4).normal(0, 0.6, (2, SIDE, SIDE)).astype(np.float32)
    views = [sheet + noise[0], cv2.GaussianBlur(sheet, (0, 0), 0.8) + noise[1]]
    assert _leaning(*views) is None and _leaning(*views[::-1]) is None


def test_dead_columns_of_one_scan_in_a_narrow_overlap_lean_no_way() -> None:
    sheet = _drawn()[:, : 5 * CELL]
    dead = sheet.copy()
    dead[:, [CELL + 9, 3 * CELL + 4]] = 30
    told = _leaning(sheet, dead)
    assert told is not None and abs(told) < 0.2
    grain = cv2.GaussianBlur(np.random.default_rng(3).normal(150, 9, sheet.shape), (0, 0), 1.5).astype(np.float32)
    dead = grain.copy()
    dead[:, [CELL + 9, 3 * CELL + 4]] = 30
    assert _leaning(grain, dead) is None  # nothing but the columns is drawn


def test_too_little_drawing_leans_no_way() -> None:
    sheet = np.full((SIDE, SIDE), 225, np.float32)
    sheet[: 2 * CELL, : 2 * CELL] = _drawn()[: 2 * CELL, : 2 * CELL]
    assert _leaning(sheet, sheet) is None


def test_the_two_ways_of_a_scanner_are_not_compared_with_each_other() -> None:
    sheet = _drawn()
    soft = cv2.GaussianBlur(sheet, (5, 1), 1.5)
    quarter = np.array([[0, -1, SIDE - 1], [1, 0, 0], [0, 0, 1.0]])
    for there, motion, known in ((soft, np.eye(3), True), (np.rot90(soft, -1), quarter, False)):
        views = (Glance(view.shape, 1, np.rint(view).astype(np.uint8), np.ones((8, 8, 3), np.float32), 60.0)
                 for view in (sheet, np.ascontiguousarray(there)))  # fmt: skip
        found = difference_of(list(views), (0, 1), motion)
        assert found is not None and (found.leaning is not None) == known


def test_a_pattern_that_one_shows_stronger_is_a_smear_on_paper_and_none_in_a_screen() -> None:
    """Dots a little stronger in one patch, as where a fine screen meets the pixels otherwise, or a lift softens them in
    the other scan.
    """
    x, y = np.meshgrid(*(np.arange(SIDE, dtype=np.float64),) * 2)
    dots = np.cos(2.3 * x + 0.4 * y) + np.cos(2.3 * y - 0.4 * x)
    patch = np.hypot(x - SIDE / 2, y - SIDE / 2) < 90
    rng, whole = np.random.default_rng(5), np.ones((SIDE, SIDE), bool)
    for strength, other, told in ((2.0, 1.0, True), (12.0, 1.0, False), (2.0, 0.5, False)):
        a, b = (
            np.asarray(150 + strength * dots * np.where(patch, more, 1) + rng.normal(0, 0.5, dots.shape), np.float32)
            for more in (1.6, other)
        )
        (cells, none), _, _ = smeared(Overlay(a, b, whole), (whole, whole))
        assert ((cells >= SMEAR_CELLS), none) == (told, 0)
