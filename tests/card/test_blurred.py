"""I check that blurred chessboards are told from sharp ones, and from weaves, tiles and strokes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.card.blurred import shows_blurred_board, unread_boards
from stitchbed.core.arrays import Bytes

ROWS, COLUMNS, SQUARE = 8, 5, 17.0


def board(blur: float, *, turn: float = 0.3) -> Bytes:
    """Squares of 17 px on a gray table, a darker blot in each light one as a marker leaves it, turned and blurred."""
    fine = 8
    y, x = np.indices((ROWS * 12 * fine // 4, COLUMNS * 12 * fine // 4)) / (3 * fine)
    dark = (np.floor(y) + np.floor(x)) % 2 == 0
    blot = (np.abs(y % 1 - 0.5) < 0.2) & (np.abs(x % 1 - 0.5) < 0.25)
    sheet = np.where(dark, 30, np.where(blot, 120, 225)).astype(np.float32)
    step = SQUARE / (3 * fine)
    move = np.array([[np.cos(turn), -np.sin(turn), 70], [np.sin(turn), np.cos(turn), 40]]) * [[step, step, 1]]
    view = np.full((300, 300), 105, np.float32)
    cv2.warpAffine(sheet, move, (300, 300), view, cv2.INTER_AREA, cv2.BORDER_TRANSPARENT)
    noise = np.random.default_rng(1).normal(0, 1.5, view.shape)
    return np.clip(cv2.GaussianBlur(view, (0, 0), blur) + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("blur", [1.8, 2.4, 3.0])
@pytest.mark.parametrize("turn", [0.0, 0.7])
def test_a_blurred_board_is_told(blur: float, turn: float) -> None:
    assert shows_blurred_board(board(blur, turn=turn))


def test_a_sharp_board_is_not_blurred() -> None:
    assert not shows_blurred_board(board(0.4))


def test_patterns_without_crossings_are_no_board() -> None:
    rng = np.random.default_rng(5)
    y, x = np.indices((300, 300))
    tiles = np.where((x % 30 < 3) | (y % 24 < 3), 60, 170).astype(np.float32)
    strokes = np.full((300, 300), 200, np.uint8)
    for _ in range(150):
        a, b = rng.uniform(0, 300, (2, 2)).astype(int)
        cv2.line(strokes, tuple(map(int, a)), tuple(map(int, b)), 20, 3, cv2.LINE_AA)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (300, 300)), (0, 0), 4)
    grain = np.clip(128 + 60 * grain / grain.std(), 0, 255)
    for picture in (tiles, strokes, grain):
        assert not shows_blurred_board(cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 2).astype(np.uint8))


def test_boards_beside_cards_that_are_read_are_found_and_those_are_not() -> None:
    picture = np.hstack([board(1.0), board(1.0, turn=0.6)])
    first = np.array([[150.0, 120.0], [140.0, 150.0]])
    (middle,) = unread_boards(picture, SQUARE, first)
    assert 300 < middle[0] < 600
    assert unread_boards(picture, SQUARE, np.array([*first, middle])) == []
    assert unread_boards(picture, 3 * SQUARE, first) == []  # squares of another size
