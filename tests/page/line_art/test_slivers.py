"""I check what is joined to what: slivers, cells between strokes, cells of cross-hatching, on maps counted by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from stitchbed.core.arrays import Bytes, Labels
from stitchbed.core.errors import BadSettings
from stitchbed.page.line_art.merging.closed_areas import REGION_BYTES, closed_areas
from stitchbed.page.line_art.slivers import areas, join_cells, joined, touches

CELL = 0.1  # mm


def test_cells_of_each_region_are_counted() -> None:
    labels = np.array([[1, 1, 3], [1, 3, 3], [3, 3, 3]], np.int32)
    assert areas(labels, np.ones((3, 3), np.uint8)).tolist() == [0, 3, 0, 6]
    assert areas(labels, np.array([[1, 0, 0], [1, 1, 0], [0, 0, 1]], np.uint8)).tolist() == [0, 2, 0, 2]
    tall = np.repeat(np.array([[1], [2]], np.int32), 1500, axis=0)  # more rows than are looked at together
    assert areas(tall, np.ones((3000, 1), np.uint8)).tolist() == [0, 1500, 1500]


def test_a_touch_over_paper_counts_four_times_one_over_a_line() -> None:
    labels = np.array([[1, 1, 1], [2, 2, 2], [0, 3, 3]], np.int32)
    free = np.array([[1, 1, 0], [1, 1, 1], [1, 0, 1]], np.uint8)
    found = touches(labels, free)
    assert found == [{}, {2: 9}, {1: 9, 3: 5}, {2: 5}]  # 4 + 4 + 1; 1 + 4


def joins(touch: dict[int, dict[int, int]], area: Sequence[int], small: Sequence[int], **more: object) -> list[int]:
    """Where each of the regions ends up; touch : each pair once."""
    both: list[dict[int, int]] = [{} for _ in area]
    for a, row in touch.items():
        for b, weight in row.items():
            both[a][b] = both[b][a] = weight
    chosen = np.isin(np.arange(len(area)), small)
    if "kin" in more:
        more["kin"] = np.isin(np.arange(len(area)), more["kin"])
    return joined(both, np.array(area), chosen, **more).tolist()


def test_small_regions_go_where_they_touch_most() -> None:
    assert joins({3: {1: 5, 2: 9}}, [0, 100, 50, 3], [3]) == [0, 1, 2, 2]
    assert joins({3: {1: 9, 2: 9}}, [0, 100, 50, 3], [3]) == [0, 1, 2, 1]  # of two alike the first
    assert joins({}, [0, 100, 3], [2]) == [0, 1, 2]  # what touches nothing stays
    assert joins({2: {1: 1}}, [0, 100, 3], []) == [0, 1, 2]


def test_what_a_region_touched_its_host_touches() -> None:
    # 4 goes to 3, whose touch of 1 grows from 5 to 11 by that, so that 3 goes to 1 and not to 2
    assert joins({4: {3: 7, 1: 6}, 3: {1: 5, 2: 9}}, [0, 100, 50, 5, 2], [3, 4]) == [0, 1, 2, 1, 1]
    # the smallest goes first: were it 3, it would go to 2
    assert joins({4: {3: 7, 1: 6}, 3: {1: 5, 2: 9}}, [0, 100, 50, 2, 5], [3, 4]) == [0, 1, 2, 2, 2]


def test_a_region_that_has_grown_is_small_no_more() -> None:
    chain = {1: {2: 9}, 2: {3: 9, 4: 1}, 3: {4: 1}}
    assert joins(chain, [0, 3, 4, 5, 100], [1, 2, 3]) == [0, 4, 4, 4, 4]
    assert joins(chain, [0, 3, 4, 5, 100], [1, 2, 3], most=12) == [0, 3, 3, 3, 4]  # 3, 7, and with 5 it is 12
    assert joins(chain, [0, 3, 4, 5, 100], [1, 2, 3], most=13) == [0, 4, 4, 4, 4]


def test_kin_join_their_like_first() -> None:
    touch = {1: {2: 3, 3: 9}}
    assert joins(touch, [0, 1, 5, 50], [1], kin=[1, 2]) == [0, 2, 2, 3]
    assert joins(touch, [0, 1, 5, 50], [1], kin=[1]) == [0, 3, 2, 3]  # there is none
    assert joins(touch, [0, 1, 5, 50], [1], kin=[2]) == [0, 3, 2, 3]  # it is none itself


def grid(rows: int, cols: int, *, high: int, wide: int, side: int = 140) -> tuple[Labels, Bytes, Bytes]:
    """(labels, free, strokes): rooms of high x wide cells from (30, 30) on, parted by lines two cells wide.

    The rim of each room is line, half of those between two of them. strokes : the lines between rooms.
    """
    labels, free = np.ones((side, side), np.int32), np.ones((side, side), np.uint8)
    free[30 : 30 + rows * high, 30 : 30 + cols * wide] = 0
    for row, col in np.ndindex(rows, cols):
        labels[30 + row * high :, 30 + col * wide :][:high, :wide] = 2 + row * cols + col
        free[31 + row * high :, 31 + col * wide :][: high - 2, : wide - 2] = 1
    inside = np.zeros_like(free)
    inside[31 : 29 + rows * high, 31 : 29 + cols * wide] = 1
    return labels, free, (1 - free) & inside


def rooms(labels: Labels, rows: int, cols: int, high: int, wide: int) -> list[int]:
    """Numbers of the rooms of a grid, row by row."""
    return [int(labels[32 + row * high, 32 + col * wide]) for row in range(rows) for col in range(cols)]


@pytest.mark.parametrize(("smallest", "stays"), [(324, True), (325, False)])
def test_regions_of_few_cells_are_slivers(smallest: int, stays: bool) -> None:
    labels, free, _ = grid(1, 1, high=20, wide=20)  # 18 x 18 of them free
    join_cells(labels, free, np.zeros_like(free), smallest, CELL)
    assert (labels[40, 40] != labels[0, 0]) == stays


def test_what_lies_under_a_stroke_of_tone_alone_is_no_region() -> None:
    labels, free, _ = grid(1, 1, high=20, wide=20)
    labels[60:64, 60:64], free[58:66, 58:66] = 3, 0  # a blot, found as a region since tone closes in nothing
    tone = np.zeros_like(free)
    tone[58:66, 58:66] = 1
    join_cells(labels, free, tone, 1, CELL)
    assert labels[62, 62] == labels[0, 0] == 1 and labels[40, 40] == 2


def test_paper_between_strokes_joins_what_is_round_it() -> None:
    labels, free, strokes = grid(1, 5, high=40, wide=10)  # five rooms of 3 mm2, a millimeter wide
    join_cells(labels, free, strokes, 1, CELL)
    assert set(rooms(labels, 1, 5, 40, 10)) == {1}
    labels, free, strokes = grid(1, 5, high=40, wide=10)
    join_cells(labels, free, np.zeros_like(free), 1, CELL)  # the same where lines are outlines
    assert rooms(labels, 1, 5, 40, 10) == [2, 3, 4, 5, 6]


def test_enough_of_it_is_a_region_of_its_own() -> None:
    labels, free, strokes = grid(1, 8, high=100, wide=10)  # 7.8 mm2 each
    join_cells(labels, free, strokes, 1, CELL)
    (own,) = set(rooms(labels, 1, 8, 100, 10))
    assert own != 1 and labels[0, 0] == 1


@pytest.mark.parametrize(("wide", "joins"), [(16, True), (20, False)])
def test_wide_rooms_are_no_paper_between_strokes(wide: int, joins: bool) -> None:
    labels, free, strokes = grid(1, 3, high=40, wide=wide)
    join_cells(labels, free, strokes, 1, CELL)
    assert (len(set(rooms(labels, 1, 3, 40, wide)) | {1}) == 1) == joins


def test_a_room_with_little_hatching_in_its_lines_stays() -> None:
    labels, free, strokes = grid(1, 2, high=40, wide=10)
    few = strokes.copy()
    few[53:] = 0  # 22 of the 96 cells of line of each are strokes
    join_cells(labels, free, few, 1, CELL)
    assert rooms(labels, 1, 2, 40, 10) == [2, 3]


def test_cells_of_cross_hatching_join_each_other() -> None:
    labels, free, _ = grid(7, 7, high=12, wide=12)  # 1 mm2 each, 49 in all
    join_cells(labels, free, np.zeros_like(free), 1, CELL)
    (own,) = set(rooms(labels, 7, 7, 12, 12))
    assert own != 1
    for rows, cols, wide in ((1, 2, 12), (3, 3, 15)):  # two have one of their kind each; 1.7 mm2 are no cell of it
        labels, free, _ = grid(rows, cols, high=wide, wide=wide)
        join_cells(labels, free, np.zeros_like(free), 1, CELL)
        assert len(set(rooms(labels, rows, cols, wide, wide))) == rows * cols


def test_a_page_of_one_region_stays_as_it_is() -> None:
    labels = np.ones((30, 40), np.int32)
    join_cells(labels, np.ones((30, 40), np.uint8), np.zeros((30, 40), np.uint8), 50, CELL)
    assert np.all(labels == 1)


def test_more_areas_than_memory_can_join_are_refused() -> None:
    """Sixteen rooms; memory for ten."""
    free = np.ones((81, 81), np.uint8)
    free[::20] = free[:, ::20] = 0
    asked = {"gap": 0.2, "every_line": True, "workers": 1}
    assert closed_areas(free, 0.1, 1, memory=16 * REGION_BYTES, **asked).max() == 16
    with pytest.raises(BadSettings, match="close in 16 places"):
        closed_areas(free, 0.1, 1, memory=10 * REGION_BYTES, **asked)
