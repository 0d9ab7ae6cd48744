"""I check the laws of boxes: blocks cover a picture once, clipping and meeting agree, growing undoes shrinking."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stitchbed.imaging.box import Box, blocks, clipped, grown, meets, shifted, spanning


def _box(rng: np.random.Generator) -> Box:
    row, col, height, width = rng.integers([-30, -30, 0, 0], [30, 30, 40, 40])
    return Box(int(row), int(col), int(height), int(width))


@given(st.integers(0, 2**32 - 1))
def test_blocks_cover_each_pixel_once_in_file_order(draw: int) -> None:
    rng = np.random.default_rng(draw)
    height, width, edge = (int(n) for n in rng.integers([1, 1, 1], [90, 90, 40]))
    count = np.zeros((height, width), int)
    found = list(blocks(height, width, edge))
    for box in found:
        assert 0 < box.height <= edge and 0 < box.width <= edge
        assert box.row % edge == 0 and box.col % edge == 0
        count[box.slices] += 1
    assert (count == 1).all()
    assert found == sorted(found, key=lambda box: (box.row, box.col))


@pytest.mark.parametrize("edge", [0, -1])
def test_an_edge_of_nothing_is_refused(edge: int) -> None:
    with pytest.raises(ValueError, match="positive"):
        list(blocks(10, 10, edge))


def test_no_blocks_in_an_empty_picture() -> None:
    assert list(blocks(0, 10, 4)) == [] and list(blocks(10, 0, 4)) == []


@given(st.integers(0, 2**32 - 1))
def test_clipping_is_what_both_boxes_hold(draw: int) -> None:
    rng = np.random.default_rng([draw, 1])
    a, b = _box(rng), _box(rng)
    canvas = np.zeros((2, 160, 160), bool)
    for layer, box in enumerate((a, b)):
        canvas[layer][shifted(box, 60, 60).slices] = True
    both = clipped(a, b)
    held = np.zeros((160, 160), bool)
    if not both.empty:
        held[shifted(both, 60, 60).slices] = True
    assert np.array_equal(held, canvas[0] & canvas[1])
    assert meets(a, b) == meets(b, a) == (canvas[0] & canvas[1]).any()
    assert clipped(both, a) == both or both.empty
    assert both.empty or clipped(b, a) == both


@given(st.integers(0, 2**32 - 1))
def test_growing_and_shifting_can_be_undone(draw: int) -> None:
    rng = np.random.default_rng([draw, 2])
    box, margin = _box(rng), int(rng.integers(0, 20))
    assert grown(grown(box, margin), -margin) == box
    assert shifted(shifted(box, 7, -3), -7, 3) == box
    larger = grown(box, margin)
    assert (larger.bottom - box.bottom, box.row - larger.row) == (margin, margin)
    assert (larger.right - box.right, box.col - larger.col) == (margin, margin)


def test_spanning_is_half_open_and_never_negative() -> None:
    assert spanning(1, 2, 4, 7) == Box(1, 2, 3, 5)
    assert (spanning(1, 2, 4, 7).bottom, spanning(1, 2, 4, 7).right) == (4, 7)
    assert spanning(4, 7, 1, 2).empty and spanning(4, 7, 1, 2) == Box(4, 7, 0, 0)
    assert Box(0, 0, 3, 4).slices == (slice(0, 3), slice(0, 4))
