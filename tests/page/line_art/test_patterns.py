"""I check that many cells which fine lines part, and a bolder one closes in, are one area, and that others stay."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from stitchbed.core.arrays import Bytes
from stitchbed.page.line_art.merging.graph import FREE, Graph, graph_of, joined_graph
from stitchbed.page.line_art.merging.patterns import CELLS, joined_patterns, parties
from stitchbed.page.line_art.merging.trees import PATTERNS, Trees, learned
from stitchbed.page.line_art.outlines import Outlines
from stitchbed.page.line_art.spread import spread_under

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


def test_few_cells_are_no_pattern() -> None:
    line = np.zeros((120, 200), np.uint8)
    line[20:100, 20:180] = 1
    line[29:91, 29:171] = 0
    line[29:91, 60:63] = 1
    graph, count = graph_of_lines(line)
    assert count == 3 < CELLS
    assert not list(parties(graph, CELL))
    assert joined_patterns(graph, CELL, told("bolder", 0.0)).tolist() == [0, 1, 2]
