"""I check that the card's design holds together: markers, patches, places, colors."""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np
import pytest

from stitchbed.card import board as chart
from stitchbed.card.sheet import PAPERS, sheets
from stitchbed.color.cielab import SPACES, xyz_from_lab, xyz_from_rgb

PIECES = chart.all_pieces()
UNPRINTABLE_MM = 3.0  # most printers' least margin is 3 to 5 mm (common practice, no source)


def test_every_marker_names_one_piece() -> None:
    numbers = [number for piece in PIECES for board in piece.boards for number in chart.markers(board)]
    assert len(numbers) == len(set(numbers)) == 34 + 34 + 4 * 20
    assert max(numbers) < 250  # the dictionary holds 250
    named = [chart.piece_of_marker(n) for piece in PIECES for board in piece.boards for n in chart.markers(board)]
    true = [piece.name for piece in PIECES for board in piece.boards for _ in chart.markers(board)]
    assert named == true
    assert chart.piece_of_marker(99) is None and chart.piece_of_marker(249) is None


def test_markers_of_the_card_stay_far_apart() -> None:
    """Least Hamming distance over all turns of the markers used; 6 is that of the whole dictionary (counted)."""
    dictionary = cv2.aruco.getPredefinedDictionary(chart.DICTIONARY)
    numbers = [number for piece in PIECES for board in piece.boards for number in chart.markers(board)]
    codes = {n: (dictionary.generateImageMarker(n, chart.CELLS)[1:-1, 1:-1] < 128) for n in numbers}
    least = min(
        int((codes[a] != np.rot90(codes[b], turn)).sum()) for a, b in combinations(numbers, 2) for turn in range(4)
    )
    assert least >= 6


@pytest.mark.parametrize("piece", PIECES, ids=lambda piece: piece.name)
def test_fields_lie_on_the_card_and_apart(piece: chart.Piece) -> None:
    fields = [(p.x, p.y, p.width, p.height) for p in piece.patches]
    fields += [(s.x, s.y, s.width, s.height) for s in piece.slants]
    fields += [(b.x, b.y, b.columns * chart.SQUARE_MM, b.rows * chart.SQUARE_MM) for b in piece.boards]
    for x, y, w, h in fields:
        assert x >= 0 and y >= 0 and x + w <= piece.width and y + h <= piece.height
    for (ax, ay, aw, ah), (bx, by, bw, bh) in combinations(fields, 2):
        apart = ax + aw <= bx or bx + bw <= ax or ay + ah <= by or by + bh <= ay
        assert apart


def test_board_cells_put_corners_and_markers_where_they_are_said_to_be() -> None:
    board = chart.corner_piece(2).boards[0]
    cells = chart.board_cells(board)
    scale = 1 / chart.BOARD_CELL_MM
    for x, y in (chart.saddles(board) - [board.x, board.y]) * scale:
        column, row = round(x), round(y)
        around = cells[row - 1 : row + 1, column - 1 : column + 1]
        assert around[0, 0] == around[1, 1] != around[0, 1] == around[1, 0]
    for corners in chart.markers(board).values():
        column, row = np.rint((corners[0] - [board.x, board.y]) * scale).astype(int)
        assert cells[row, column] and not cells[row - 1, column] and not cells[row, column - 1]


def test_colors_can_be_printed_from_srgb_and_names_are_unique() -> None:
    for piece in PIECES:
        lab = np.array([patch.lab for patch in piece.patches])
        linear = np.linalg.solve(xyz_from_rgb(SPACES["srgb"]), xyz_from_lab(lab).T)
        assert linear.min() >= 0 and linear.max() <= 1
    names = [patch.name for piece in PIECES for patch in piece.patches]
    assert len(names) == len(set(names)) == 34 + 4 * 4


def test_slanted_squares_fit_their_ground_with_room_to_read() -> None:
    for piece in PIECES:
        for slant in piece.slants:
            corners = chart.slant_corners(slant)
            low, high = corners.min(0) - [slant.x, slant.y], corners.max(0) - [slant.x, slant.y]
            assert low.min() > 1 and np.all(high < np.array([slant.width, slant.height]) - 1)
            side = corners[1] - corners[0]
            assert np.hypot(*side) == pytest.approx(slant.side)
            assert np.arctan2(side[1], side[0]) == pytest.approx(np.deg2rad(5))


@pytest.mark.parametrize("paper", PAPERS)
def test_sheets_fit_the_paper(paper: str) -> None:
    width, height = PAPERS[paper]
    for sheet in sheets(paper, "all"):
        for laid in sheet.laid:
            assert laid.x >= UNPRINTABLE_MM and laid.x + laid.piece.width <= width - UNPRINTABLE_MM
            assert laid.y >= UNPRINTABLE_MM and laid.y + laid.piece.height <= height - UNPRINTABLE_MM


def test_the_corner_cards_outer_edges_are_the_check_line_down() -> None:
    laid = {one.piece.name: one for one in sheets("A4", "corner")[0].laid}
    span = laid["corner 4"].y + laid["corner 4"].piece.height - laid["corner 1"].y
    assert span == pytest.approx(chart.LINE_DOWN_MM)
