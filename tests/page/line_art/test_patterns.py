"""I check that many cells which fine lines part, and a bolder one closes in, are one area, and that others stay."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy import ndimage

from stitchbed.core.arrays import Bytes
from stitchbed.page.line_art.merging.graph import FREE, Graph, graph_of, joined_graph
from stitchbed.page.line_art.merging.patterns import joined_patterns, parties
from stitchbed.page.line_art.merging.trees import PATTERNS, Trees, learned
from stitchbed.page.line_art.outlines import Outlines
from stitchbed.page.line_art.spread import spread_under
from stitchbed.page.page import page_of_array
from stitchbed.pipelines.flats import FlatsSettings, lines_of, region_map

CELL = 25.4 / 300
WALL, COURSE, BRICK, BOLD = 240, 20, 40, 9  # cells


def wall(fine: int) -> tuple[Graph, int]:
    """A wall of bricks in a bold outline, in lines `fine` cells wide, paper round it; and how many areas that is."""
    line = np.zeros((WALL + 80, WALL + 80), np.uint8)
    place = line[40 : 40 + WALL, 40 : 40 + WALL]
    for n, top in enumerate(range(0, WALL, COURSE)):
        place[top : top + fine] = 1
        for left in range(n % 2 * BRICK // 2, WALL, BRICK):
            place[top : top + COURSE, left : left + fine] = 1
    for edge in (place[:BOLD], place[-BOLD:], place[:, :BOLD], place[:, -BOLD:]):
        edge[:] = 1
    return graph_of_lines(line)


def graph_of_lines(line: Bytes) -> tuple[Graph, int]:
    labels, count = ndimage.label(1 - line)
    labels = labels.astype(np.int32)
    spread_under(labels)
    none = np.zeros_like(line)
    return graph_of(labels - 1, 1 - line, Outlines(line, none, line, none, none, none), CELL), count


def told(name: str, bound: float) -> Trees:
    """Sure that a party is one area where what is seen of it is more than this."""
    return Trees((name,), np.zeros((1, 1), np.int64), np.array([[bound]]), np.array([[-9.0, 9.0]]), 0.0)


def test_a_wall_of_bricks_is_one_area() -> None:
    graph, count = wall(fine=3)
    into = joined_patterns(graph, CELL, learned(PATTERNS))
    assert count > 60
    assert len(np.unique(into)) == 2
    sizes = joined_graph(graph, into).areas[:, FREE]
    assert sizes.min() > 0.6 * WALL**2


def test_cells_in_lines_as_bold_as_the_outline_stay() -> None:
    graph, count = wall(fine=BOLD)
    assert len(np.unique(joined_patterns(graph, CELL, learned(PATTERNS)))) == count
    assert not any(len(which) for _, which, _ in parties(graph, CELL))


def test_what_hangs_together_by_fine_lines_is_seen_as_a_whole() -> None:
    graph, count = wall(fine=3)
    party, which, seen = next(iter(parties(graph, CELL)))
    assert len(which) == 1
    assert (party == which[0]).sum() == count - 1  # all bricks, not the paper round them
    assert seen["many"][0] == 40
    assert seen["bolder"][0] == pytest.approx(BOLD / 3, abs=0.9)
    assert seen["largest"][0] == pytest.approx(np.log((BRICK - 3) * (COURSE - 3) * CELL**2), abs=0.05)
    assert seen["as_fine"][0] == pytest.approx(0, abs=0.02)
    assert seen["edge"][0] == 0


def test_only_what_is_told_to_be_one_is_joined() -> None:
    graph, count = wall(fine=3)
    assert len(np.unique(joined_patterns(graph, CELL, told("bolder", 99.0)))) == count
    assert len(np.unique(joined_patterns(graph, CELL, told("bolder", 1.5)))) == 2


def sheet_with(*strokes: tuple[slice, slice]) -> tuple[Graph, int]:
    """A bold box with fine strokes in it, each a box of the sheet."""
    line = np.zeros((120, 200), np.uint8)
    line[20:100, 20:180] = 1
    line[29:91, 29:171] = 0
    for stroke in strokes:
        line[29:91, 29:171][stroke] = 1
    return graph_of_lines(line)


UPRIGHT = [(slice(None), slice(at, at + 3)) for at in (30, 60, 90)]
LEVEL = [(slice(at, at + 3), slice(None)) for at in (15, 35)]


def test_a_shape_without_strokes_is_no_pattern() -> None:
    graph, count = sheet_with()
    assert count == 2
    assert not list(parties(graph, CELL))
    assert joined_patterns(graph, CELL, told("bolder", 0.0)).tolist() == [0, 1]


@pytest.mark.parametrize(("strokes", "one_way"), [(UPRIGHT, 1.0), (UPRIGHT + LEVEL, 0.57)])
def test_ways_of_straight_strokes_are_seen(strokes: list[tuple[slice, slice]], one_way: float) -> None:
    graph, _ = sheet_with(*strokes)
    _, which, seen = next(iter(parties(graph, CELL)))
    assert len(which) == 1
    assert seen["straight"][0] == pytest.approx(1, abs=0.02)
    assert seen["one_way"][0] == pytest.approx(one_way, abs=0.05)
    assert seen["two_ways"][0] == pytest.approx(1, abs=0.02)


@pytest.mark.parametrize("reach", [(170, 110), (80, 60)])
def test_wide_strokes_from_side_to_side_are_hatching(reach: tuple[int, int]) -> None:
    """Of a fine pen, 2 mm apart, in an oval drawn by a bold one."""
    dpi, oval, strokes = 300.0, *np.zeros((2, 420, 520), np.uint8)
    cv2.ellipse(oval, (260, 210), reach, 12, 0, 360, 255, -1)
    for at in range(40, 460, 24):
        cv2.line(strokes, (at, 60), (at + 60, 360), 255, 3, cv2.LINE_AA)
    drawn = np.where(oval > 0, strokes, 0).astype(np.uint8)
    cv2.ellipse(drawn, (260, 210), reach, 12, 0, 360, 255, 9, cv2.LINE_AA)
    page = page_of_array(255 - drawn, dpi)
    _, regions = region_map(page, lines_of(page, 0.25), FlatsSettings(workers=1))
    assert len(regions) == 2
