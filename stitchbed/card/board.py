"""I describe the printed card: where its fields lie in mm, their markers, and the colors its patches should have.

In: nothing. Out: frozen pieces; card frame, mm from the piece's top left corner, x right, y down.

Version 1 is frozen: cards are on paper in drawers. A changed design takes another version and other marker numbers;
the numbers are what names version and piece to a machine (`piece_of_marker`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array

Lab = tuple[float, float, float]

VERSION = 1
DICTIONARY = cv2.aruco.DICT_5X5_250  # least Hamming distance 6 among its markers, turned ones included
CELLS = 7  # cells along a marker's side: five of code and a black one at each end
SQUARE_MM = 10.0
MARKER_MM = 7.0  # one cell is one millimeter
BOARD_CELL_MM = 0.5  # the finest step of a board: the light rim round a marker is 1.5 mm
LINE_ACROSS_MM = 160.0
LINE_DOWN_MM = 160.0
PAPER: Lab = (95.0, 0.0, 0.0)  # unprinted paper, common practice, no source; brightened papers are bluer
SLANT_RAD = np.deg2rad(5.0)  # ISO 12233 asks for a small angle; 5 degrees crosses a pixel row every 11 px
CORNERS = ("top left", "top right", "bottom right", "bottom left")

RAMP = (95.0, 90.0, 80.0, 70.0, 60.0, 50.0, 40.0, 30.0, 20.0, 10.0)  # L*, first one unprinted paper
SMALL_RAMP = (95.0, 75.0, 55.0, 30.0)
# Eight hues around the circle in three depths, inside what a home printer reaches: L* a* b*.
COLORS: tuple[tuple[str, Lab], ...] = (
    ("A1", (82, 16.9, 6.2)),
    ("A2", (84, 11.3, 21.2)),
    ("A3", (90, -3.6, 33.8)),
    ("A4", (84, -21.4, 18.0)),
    ("A5", (84, -19.7, -3.5)),
    ("A6", (82, -11.5, -16.4)),
    ("A7", (80, 3.1, -17.7)),
    ("A8", (80, 19.1, -11.0)),
    ("B1", (54, 54.5, 19.8)),
    ("B2", (68, 26.3, 49.4)),
    ("B3", (84, -7.1, 67.6)),
    ("B4", (66, -38.3, 32.1)),
    ("B5", (62, -33.5, -5.9)),
    ("B6", (58, -20.6, -29.5)),
    ("B7", (44, 8.3, -47.3)),
    ("B8", (52, 50.2, -29.0)),
    ("C1", (34, 37.6, 13.7)),
    ("C2", (42, 17.8, 33.6)),
    ("C3", (54, -4.4, 41.8)),
    ("C4", (42, -29.1, 24.4)),
    ("C5", (42, -24.6, -4.3)),
    ("C6", (38, -13.8, -19.7)),
    ("C7", (28, 5.9, -33.5)),
    ("C8", (32, 36.4, -21.0)),
)


@dataclass(frozen=True)
class Board:
    """A chessboard field whose light squares hold markers; its first square, top left, is dark.

    x, y : mm of its top left corner. columns, rows : squares of SQUARE_MM. first_marker : number of the first one.
    """

    x: float
    y: float
    columns: int
    rows: int
    first_marker: int

    @property
    def marker_count(self) -> int:
        """One for each light square."""
        return self.columns * self.rows // 2


@dataclass(frozen=True)
class Patch:
    """One color field. x, y, width, height : mm. lab : nominal CIELAB D50. neutral : counts as gray."""

    name: str
    x: float
    y: float
    width: float
    height: float
    lab: Lab
    neutral: bool


@dataclass(frozen=True)
class Slant:
    """A square turned by SLANT_RAD on a lighter ground, for sharpness. x, y, width, height : mm of the ground.

    side : mm of the turned square, centered on the ground.
    """

    x: float
    y: float
    width: float
    height: float
    side: float
    ground: Lab
    square: Lab


@dataclass(frozen=True)
class Piece:
    """One card. name : "full" or "corner 1" to "corner 4". width, height : mm."""

    name: str
    width: float
    height: float
    boards: tuple[Board, ...]
    patches: tuple[Patch, ...]
    slants: tuple[Slant, ...]


def full_piece() -> Piece:
    """The card of one page."""
    boards = (Board(4, 4, 17, 4, 0), Board(4, 212, 17, 4, 34))
    ramp = [_gray(f"N{i + 1}", 4 + 17 * i, 60, 16, light) for i, light in enumerate(RAMP)]
    colors = [
        Patch(name, 4 + 17 * (i % 8), 78.0 + 17 * (i // 8), 16, 16, lab, False) for i, (name, lab) in enumerate(COLORS)
    ]
    slants = tuple(Slant(141, y, 32, 24, 17, (85, 0, 0), (40, 0, 0)) for y in (78.0, 104.0))
    return Piece("full", 190, 256, boards, (*ramp, *colors), slants)


def corner_piece(number: int) -> Piece:
    """Card 1 to 4 to lay at a corner of the work."""
    board = Board(8, 5, 8, 5, 100 + 20 * (number - 1))
    ramp = [_gray(f"K{number}N{i + 1}", 8 + 13 * i, 57, 12, light) for i, light in enumerate(SMALL_RAMP)]
    slant = Slant(61, 57, 27, 12, 8, (85, 0, 0), (40, 0, 0))
    return Piece(f"corner {number}", 96, 74, (board,), tuple(ramp), (slant,))


def all_pieces() -> tuple[Piece, ...]:
    """The full card and the four corner cards."""
    return (full_piece(), *(corner_piece(number) for number in (1, 2, 3, 4)))


def piece_of_marker(marker: int) -> str | None:
    """Name of the piece that carries a marker number; None when no piece of this version does."""
    for piece in all_pieces():
        if any(board.first_marker <= marker < board.first_marker + board.marker_count for board in piece.boards):
            return piece.name
    return None


def saddles(board: Board) -> Array:
    """(N, 2) mm: the inner corners where four squares meet, row by row."""
    columns, rows = np.meshgrid(np.arange(1, board.columns), np.arange(1, board.rows))
    grid = np.stack([columns.ravel(), rows.ravel()], 1) * SQUARE_MM
    return np.asarray(np.add(grid, (board.x, board.y)), dtype=np.float64)


def markers(board: Board) -> dict[int, Array]:
    """Marker number -> its (4, 2) outer corners, mm: top left, top right, bottom right, bottom left."""
    light = [_square_at(board, r, c) for r in range(board.rows) for c in range(board.columns) if (r + c) % 2 == 1]
    inset = (SQUARE_MM - MARKER_MM) / 2
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * MARKER_MM + inset
    return {board.first_marker + i: square + corner for i, corner in enumerate(light)}


def board_cells(board: Board) -> NDArray[np.bool_]:
    """The whole board as cells of BOARD_CELL_MM, True where dark."""
    side, inset, cell = (
        round(mm / BOARD_CELL_MM) for mm in (SQUARE_MM, (SQUARE_MM - MARKER_MM) / 2, MARKER_MM / CELLS)
    )
    checks = np.add.outer(np.arange(board.rows), np.arange(board.columns)) % 2 == 0
    dark = np.kron(checks, np.ones((side, side), dtype=bool)).astype(bool)
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    for index, (row, column) in enumerate(np.argwhere(~checks)):
        code = dictionary.generateImageMarker(board.first_marker + index, CELLS) < 128
        top, left = row * side + inset, column * side + inset
        dark[top : top + CELLS * cell, left : left + CELLS * cell] = np.kron(code, np.ones((cell, cell), dtype=bool))
    return dark


def slant_corners(slant: Slant) -> Array:
    """(4, 2) mm: corners of the turned square, clockwise from its top left."""
    c, s = np.cos(SLANT_RAD), np.sin(SLANT_RAD)
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * slant.side / 2
    middle = np.array([slant.x + slant.width / 2, slant.y + slant.height / 2])
    return np.asarray(square @ np.array([[c, s], [-s, c]]) + middle, dtype=np.float64)


def _square_at(board: Board, row: int, column: int) -> tuple[float, float]:
    return board.x + column * SQUARE_MM, board.y + row * SQUARE_MM


def _gray(name: str, x: float, y: float, side: float, lightness: float) -> Patch:
    return Patch(name, x, y, side, side, (lightness, 0.0, 0.0), True)
