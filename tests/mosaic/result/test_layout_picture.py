"""I check the picture of a layout px by px: its size, where pieces lie in it, what lies on what, rulers in mm."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.mosaic.result.layout_picture import MARGIN, OUTLINES, LaidPiece, layout_picture
from stitchbed.report.join_maps import GROUND, INK


def shift(x: float, y: float) -> np.ndarray:
    """3x3 that moves by (x, y)."""
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1]], np.float64)


def piece(name: str, code: int, size: tuple[int, int], at: np.ndarray, *, channels: int = 3) -> LaidPiece:
    """A piece of one gray, seen a quarter as large."""
    return LaidPiece(name, np.full((size[0] // 4, size[1] // 4, channels), code, np.uint8), size, at)


def drawn(*pieces: LaidPiece, size: tuple[int, int] = (400, 200), dpi: float = 101.6) -> tuple[np.ndarray, np.ndarray]:
    """The picture as an array, and drawing_from_canvas."""
    picture, into = layout_picture(pieces, size, dpi)
    return np.asarray(picture), into


@pytest.mark.parametrize(
    ("size", "factor"), [((400, 200), 1.75), ((200, 400), 1.75), ((1000, 10), 1.0), ((6400, 100), 0.25)]
)
def test_the_picture_is_as_large_as_a_screen(size: tuple[int, int], factor: float) -> None:
    picture, into = drawn(size=size)
    assert into.tolist() == [[factor, 0, 44], [0, factor, 44], [0, 0, 1]]
    assert picture.shape == (round(size[1] * factor) + 88, round(size[0] * factor) + 88, 3)


def test_pieces_lie_where_they_were_laid_and_where_two_lie_their_mean_is_seen() -> None:
    one, two = piece("", 100, (200, 240), shift(0, 0)), piece("", 200, (200, 240), shift(160, 0), channels=1)
    picture, into = drawn(one, two)

    def at(x: float, y: float) -> list[int]:
        col, row = (into @ (x, y, 1))[:2]
        return picture[round(row), round(col)].tolist()

    assert at(60, 150) == [100] * 3 and at(340, 150) == [200] * 3 and at(200, 150) == [150] * 3
    assert (
        at(150, 30) == [100] * 3 and at(170, 30) == [150] * 3 and at(230, 30) == [150] * 3 and at(250, 30) == [200] * 3
    )
    assert picture[-20, 400].tolist() == list(GROUND)


def test_a_turned_piece_is_drawn_turned_with_its_first_corner_marked() -> None:
    half = np.zeros((50, 60, 3), np.uint8)
    half[:, :30] = 250  # the left half is light
    upside = np.array([[-1, 0, 239], [0, -1, 199], [0, 0, 1.0]])
    picture, into = drawn(LaidPiece("", half, (200, 240), upside), size=(240, 200))
    rows, cols = (into @ np.array([(60, 150, 1), (180, 150, 1)]).T)[1::-1].round().astype(int)
    assert picture[rows[0], cols[0], 0] < 30 < 220 < picture[rows[1], cols[1], 0]
    x, y = (into @ (239, 199, 1))[:2].round().astype(int)
    assert picture[y - 4, x - 1].tolist() == list(OUTLINES[0])  # the dot is 5 px wide each way
    first = (into @ (0, 0, 1))[:2].round().astype(int)
    assert picture[first[1] + 3, first[0] + 3].tolist() == [0] * 3  # no dot
    assert picture[first[1], first[0] + 60].tolist() == list(OUTLINES[0])  # the outline


def test_each_piece_has_an_outline_of_its_own_color() -> None:
    pieces = [piece("", 128, (20, 40), shift(50 * k, 100)) for k in range(6)]
    picture, into = drawn(*pieces)
    for number, one in enumerate(pieces):
        x, y = (into @ one.canvas_from_tile @ (20, 19, 1))[:2].round().astype(int)
        near = picture[y - 2 : y + 3, x].tolist()
        assert list(OUTLINES[number % 5]) in near


def test_names_are_written_in_the_middle_and_odd_bytes_are_escaped() -> None:
    plain, named = (drawn(piece(name, 128, (200, 400), shift(0, 0)))[0] for name in ("", "quay_01.tif"))
    rows, cols = np.nonzero((plain != named).any(axis=2))
    middle = (44 + 1.75 * 199.5, 44 + 1.75 * 99.5)
    assert abs((cols.min() + cols.max()) / 2 - middle[0]) < 4 and abs((rows.min() + rows.max()) / 2 - middle[1]) < 8
    assert np.array_equal(drawn(piece("a\x1b", 128, (200, 400), shift(0, 0)))[0],
                          drawn(piece("a\\x1b", 128, (200, 400), shift(0, 0)))[0])  # fmt: skip


@pytest.mark.parametrize(("dpi", "step"), [(101.6, 10), (406.4, 5), (25.4, 50)])  # 7, 28 and 1.75 px a mm
def test_rulers_count_millimeters(dpi: float, step: int) -> None:
    picture, into = drawn(dpi=dpi)
    per_mm = into[0, 0] * dpi / 25.4
    along = np.flatnonzero((picture[MARGIN - 6] == INK).all(axis=1))
    down = np.flatnonzero((picture[:, MARGIN - 6] == INK).all(axis=1))
    for found, side in ((along, 400), (down, 200)):
        wanted = MARGIN + per_mm * step * np.arange(int(side * into[0, 0] / per_mm / step) + 1)
        ticks = [place for place in wanted if abs(found - place).min() <= 1]
        assert len(ticks) == len(wanted) and len(wanted) >= 2
