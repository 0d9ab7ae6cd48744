"""I check that what keeps its place on the glass is told from drawing that meets itself there."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stitchbed.core.arrays import Bytes
from stitchbed.inspection.glass import grains
from stitchbed.inspection.smears import smear

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


def _inked(seed: int) -> Bytes:
    """Bold black lines and shapes on paper."""
    rng = np.random.default_rng(seed)
    page = np.full((ROWS, COLS), 228, np.uint8)
    for _ in range(150):
        points = rng.uniform(0, 1, 2) * (COLS, ROWS) + np.cumsum(rng.normal(0, 30, (7, 2)), axis=0)
        cv2.polylines(page, [np.int32(points * 8)], False, 25, int(rng.integers(1, 4)), cv2.LINE_AA, 3)
    for x, y in rng.integers(40, (COLS - 40, ROWS - 40), (6, 2)):
        cv2.circle(page, (int(x), int(y)), 22, 25, -1, cv2.LINE_AA)
    return page


def test_a_print_is_seen_on_the_paper_between_bold_lines_and_is_lighter_than_what_is_black() -> None:
    x, y = np.meshgrid(np.arange(COLS), np.arange(ROWS))
    away = np.hypot(x - 320, y - 380)
    veil = np.where(away < 70, 0.5 + 0.2 * np.sin(away * 2.2 + 0.3 * np.sin(x / 9)), 0)

    def scanned(seed: int, veil: NDArray[np.float64]) -> Bytes:
        light = cv2.GaussianBlur(_inked(seed).astype(np.float32), (0, 0), 0.7)
        noise = np.random.default_rng(seed).normal(0, 1.5, light.shape)
        return np.asarray(np.clip(np.rint(light * (1 - 0.18 * veil) + 30 * veil + noise), 0, 255), np.uint8)

    found = smear([scanned(seed, veil) for seed in range(6)])
    assert found is not None and np.hypot(found.x - 320, found.y - 380) < 40
    assert smear([scanned(seed, 0 * veil) for seed in range(6)]) is None


@pytest.mark.parametrize("board", [False, True])
def test_grains_are_dark_on_paper_and_light_on_black_board(board: bool) -> None:
    rng = np.random.default_rng(3)
    places = rng.integers(20, (COLS - 20, ROWS - 20), (10, 2))

    def scanned(seed: int, *, dusty: bool) -> NDArray[np.float32]:
        page = 255.0 - _inked(seed) if board else _inked(seed).astype(np.float64)
        for x, y in places if dusty else ():
            page[y - 1 : y + 2, x - 1 : x + 2] = 90
        return np.asarray(page + np.random.default_rng(seed).normal(0, 1, page.shape), np.float32)

    found = grains([scanned(seed, dusty=True) for seed in range(5)])
    away = [float(np.hypot(*(places - (grain.x, grain.y)).T).min()) for grain in found]
    assert len(found) >= 3 and max(away) < 2  # the others lie on lines
    assert grains([scanned(seed, dusty=False) for seed in range(5)]) == []


def test_light_lines_on_dark_paper_leave_no_place_that_could_show_a_print() -> None:
    def ruled(seed: int) -> Bytes:
        rng = np.random.default_rng(seed)
        return np.asarray(np.where(rng.random((ROWS, 1)) < 0.15, 220, rng.integers(50, 70, (ROWS, COLS))), np.uint8)

    assert smear([ruled(seed) for seed in range(3)]) is None


def test_screens_of_a_print_that_meet_in_some_scans_are_no_smear() -> None:
    """Dots of one phase and turn in two of five scans, in rings as ridges for comparison."""
    x, y = np.meshgrid(np.arange(COLS), np.arange(ROWS))
    across, down = np.cos(0.3) * x + np.sin(0.3) * y, np.cos(0.3) * y - np.sin(0.3) * x
    dots = np.cos(across * 2 * np.pi / 6.2) + np.cos(down * 2 * np.pi / 6.2)
    away = np.hypot(x - 300, y - 360)

    def scanned(seed: int, pattern: NDArray[np.float64]) -> Bytes:
        noise = np.random.default_rng(seed).normal(0, 1.5, x.shape)
        light = 225 + noise + (seed in (0, 4)) * np.where(away < 70, 2.5 * pattern, 0)
        return np.asarray(np.clip(np.rint(light), 0, 255), np.uint8)

    assert smear([scanned(seed, dots) for seed in range(5)]) is None
    assert smear([scanned(seed, 2 * np.sin(away * 1.4)) for seed in range(5)]) is not None
