"""I check where a grid of pieces has room: hand-laid pieces with one taken out, whose place is known."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import moved, similarity_matrix
from stitchbed.mosaic.islands.lattice import holes, open_pieces, whole
from stitchbed.mosaic.linking.link_graph import corners

SIZE = (300, 400)
STEP = np.array([330.0, 240.0])


def place(x: float, y: float, degrees: float = 0.0, size: tuple[int, int] = SIZE) -> Array:
    """sheet_from_piece of a piece whose middle lies at (x, y) px."""
    turn = np.deg2rad(degrees)
    at = similarity_matrix(np.array([np.cos(turn), np.sin(turn), 0.0, 0.0]))
    at[:2, 2] = np.array([x, y]) - at[:2, :2] @ corners(size).mean(0)
    return at


def grid(cols: int, rows: int, *, sheet_turn: float = 0.0, without: tuple[int, int] = (9, 9)) -> dict[str, Array]:
    """Pieces laid by hand, the last row upside down, on a sheet that lies turned by some degrees."""
    rng, turned = np.random.default_rng(3), place(0, 0, sheet_turn, (1, 1))
    found = {}
    for row in range(rows):
        for col in range(cols):
            x, y = STEP * (col, row) + rng.uniform(-6, 6, 2)
            tilt = rng.uniform(-1.5, 1.5) + (180 if row == rows - 1 and rows > 1 else 0)
            if (col, row) != without:
                found[f"{col}{row}"] = turned @ place(x, y, tilt)
    return found


@pytest.mark.parametrize("sheet_turn", [0.0, 31.0, 180.0])
@pytest.mark.parametrize("gone", [(0, 0), (1, 1), (2, 1)])
def test_the_piece_taken_out_is_the_first_place_told(gone: tuple[int, int], sheet_turn: float) -> None:
    laid = grid(3, 2, sheet_turn=sheet_turn, without=gone)
    first = holes(laid, dict.fromkeys(laid, SIZE), (SIZE, 1.0))[0]
    want = moved(place(0, 0, sheet_turn, (1, 1)), (STEP * gone)[None])[0]
    middle = moved(first.at, corners(SIZE).mean(0)[None])[0]
    assert first.inner and np.hypot(*(middle - want)) < 15 < first.reach
    assert set(first.neighbors) <= set(laid) and len(first.neighbors) == (3 if gone[0] == 1 else 2)


def test_a_row_has_room_at_its_ends_and_wider_room_above_and_below() -> None:
    laid = grid(3, 1)
    found = holes(laid, dict.fromkeys(laid, SIZE), (SIZE, 1.0))
    ends = [one for one in found if one.reach < 30]
    assert len(found) == 8 and len(ends) == 2 and not any(one.inner for one in found)
    middles = np.array([moved(one.at, corners(SIZE).mean(0)[None])[0] for one in ends])
    assert np.abs(np.sort(middles[:, 0]) - np.array([-STEP[0], 3 * STEP[0]])).max() < 25


def test_a_piece_of_twice_the_dpi_fills_the_same_place() -> None:
    laid = grid(2, 2, without=(1, 1))
    double = (600, 800)
    one, two = (holes(laid, dict.fromkeys(laid, SIZE), new)[0] for new in ((SIZE, 1.0), (double, 0.5)))
    assert np.abs(moved(one.at, corners(SIZE)) - moved(two.at, corners(double))).max() < 1.5


def test_pieces_that_lie_askew_are_no_grid() -> None:
    laid = grid(2, 2, without=(1, 1)) | {"askew": place(330.0, 240.0, 40.0)}
    assert holes(laid, dict.fromkeys(laid, SIZE), (SIZE, 1.0)) == []


def test_pieces_beside_a_hole_are_open_and_those_inside_are_not() -> None:
    laid = grid(4, 4, without=(1, 1))
    rank = open_pieces(laid, dict.fromkeys(laid, SIZE))
    assert {name for name, found in rank.items() if found == 2} == {"10", "01", "21", "12"}
    assert rank["22"] == 0 and rank["33"] == 1
    assert open_pieces(laid | {"askew": place(330.0, 240.0, 40.0)}, dict.fromkeys([*laid, "askew"], SIZE))["22"] == 1


def test_a_grid_is_whole_until_a_piece_is_missing_or_lies_elsewhere() -> None:
    laid = grid(3, 2, sheet_turn=12.0)
    sizes = dict.fromkeys(laid, SIZE)
    assert whole(laid, sizes)
    assert not whole(grid(3, 2, without=(2, 1)), sizes) and not whole(grid(3, 1), sizes)
    assert whole(grid(4, 3, without=(2, 1)), dict.fromkeys(grid(4, 3), SIZE))
    for x, y in ((40.0, 0.0), (-330.0, 0.0), (0.0, 60.0)):
        assert not whole(laid | {"21": place(x, y) @ laid["21"]}, sizes)
