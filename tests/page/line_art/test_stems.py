"""I check that a stroke which ends at an outline on both sides is told from an outline that turns or goes on there."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from stitchbed.core.arrays import Bytes, Ints, Labels
from stitchbed.page.line_art.merging.graph import Graph, graph_of
from stitchbed.page.line_art.merging.stems import join_stems
from stitchbed.page.line_art.merging.trees import Trees
from stitchbed.page.line_art.outlines import Outlines
from stitchbed.page.line_art.spread import spread_under

CELL = 25.4 / 300
SIZE, TOP, LEFT, HIGH, WIDE, PEN = 160, 50, 30, 50, 100, 3  # cells, of a map and of the box on it


def weighed_as(odds: float) -> Trees:
    """All borders alike."""
    return Trees(("length",), np.zeros((1, 1), np.int64), np.full((1, 1), np.inf), np.zeros((1, 2)), odds)


def box(*strokes: int, on: int = TOP, high: int = HIGH) -> Bytes:
    """A box with upright strokes so many cells from its left side, from row `on` on."""
    line = np.zeros((SIZE, SIZE), np.uint8)
    line[TOP : TOP + HIGH, LEFT : LEFT + WIDE] = 1
    line[TOP + PEN : TOP + HIGH - PEN, LEFT + PEN : LEFT + WIDE - PEN] = 0
    for at in strokes:
        line[on : on + high, LEFT + at : LEFT + at + PEN] = 1
    return line


def cells_of(line: Bytes, tone: Bytes | None = None) -> tuple[Graph, Labels]:
    labels = ndimage.label(1 - line)[0].astype(np.int32)
    spread_under(labels)
    labels -= 1
    none = np.zeros_like(line)
    walls = line if tone is None else line & ~tone
    return graph_of(labels, 1 - line, Outlines(walls, none, line, none, none, none), CELL), labels


def left_of(line: Bytes, odds: float, *joined: int, tone: Bytes | None = None) -> int:
    """How many areas are left; those at columns `joined` of the box were joined before."""
    graph, labels = cells_of(line, tone)
    first = [int(labels[TOP + HIGH // 2, LEFT + at]) for at in joined]
    into: Ints = np.arange(len(graph.areas))
    into[first] = min(first, default=0)
    into = np.unique(into, return_inverse=True)[1].astype(np.int64)
    labels = into.astype(np.int32)[labels]
    join_stems(graph, into, labels, CELL, weighed_as(odds))
    return len(np.unique(labels))


@pytest.mark.parametrize(("odds", "left"), [(-1.9, 2), (-2.1, 3)])
def test_a_stroke_across_a_box_parts_nothing_where_it_was_all_but_taken_for_tone(odds: float, left: int) -> None:
    assert left_of(box(50), odds) == left


@pytest.mark.parametrize(("odds", "left"), [(-3.9, 2), (-4.1, 3)])
def test_the_last_stroke_goes_with_those_of_its_kind(odds: float, left: int) -> None:
    assert left_of(box(20, 40, 60), odds, 10, 30, 50) == left


def test_a_bolder_stroke_is_not_of_their_kind() -> None:
    bold = box(20, 40, 60)
    bold[TOP : TOP + HIGH, LEFT + 60 : LEFT + 66] = 1
    assert left_of(bold, -3.0, 10, 30, 50) == 3


def test_a_line_that_goes_on_beyond_the_box_parts() -> None:
    assert left_of(box(50, on=0, high=SIZE), -1.0) == 4


def test_a_box_that_stands_on_a_line_is_not_joined_to_what_lies_below() -> None:
    line = box()
    line[TOP + HIGH - PEN : TOP + HIGH] = 1
    assert left_of(line, -1.0) == 3


def test_large_areas_stay() -> None:
    line = np.zeros((400, 400), np.uint8)
    line[50:350, 50:350] = 1
    line[53:347, 53:347] = 0
    line[50:350, 200:203] = 1
    assert left_of(line, -1.0) == 3  # 140 mm2 each


@pytest.mark.parametrize(("dotted", "left"), [(True, 3), (False, 4)])
def test_dots_that_touch_part_nothing_where_there_are_dots_on_both_sides(dotted: bool, left: int) -> None:
    line, tone = box(), np.zeros((SIZE, SIZE), np.uint8)
    line[:, LEFT + 51] = 1
    rows, cols = np.mgrid[0:SIZE, 0:SIZE]
    for row in range(0, SIZE, 14):  # past the outline, where no stroke of tone ends
        line[(rows - row) ** 2 + (cols - LEFT - 51) ** 2 <= 30] = 1
    for col in (20, 30, 70, 80):
        tone[TOP + 20 : TOP + 24, LEFT + col : LEFT + col + 4] = dotted
    assert left_of(line | tone, -1.0, tone=tone) == left


def test_one_area_alone_stays() -> None:
    assert left_of(np.zeros((20, 20), np.uint8), 9.0) == 1
