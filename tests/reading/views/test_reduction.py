"""I check the arithmetic of cells: every pixel in one cell, narrow cells where the picture ends, exact means."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from stitchbed.reading.views.reduction import Cells, cells_along, reduce_strip, reduce_tall


def members(cells: Cells) -> list[int]:
    """Cell number of each pixel of a run."""
    numbers = []
    for number in range(cells.count):
        size = cells.size
        if number == 0 and cells.lead:
            size = cells.lead
        elif number == cells.count - 1 and cells.tail:
            size = cells.tail
        numbers += [cells.first + number] * size
    return numbers


@pytest.mark.parametrize("length", [1, 2, 7, 8, 9, 53])
@pytest.mark.parametrize("size", [1, 2, 3, 8, 60])
@pytest.mark.parametrize("backward", [False, True])
def test_cells_cover_an_axis_and_runs_cover_the_cells(length: int, size: int, backward: bool) -> None:
    cells = cells_along(length, size, backward)
    want = [place // size for place in range(length)]
    if backward:
        want = [want[-1] - number for number in want[::-1]]
    assert members(cells) == want
    for most in (1, 2, 5, 100):
        runs = list(cells.runs(most))
        assert [number for run in runs for number in members(run)] == want
        assert [run.start for run in runs] == [0, *(run.stop for run in runs)][:-1]
        assert runs[-1].stop == length
        assert all(run.count <= most for run in runs)
    assert members(cells.last()) == [number for number in want if number == want[-1]]


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("backward", [False, True])
@pytest.mark.parametrize("with_alpha", [False, True])
def test_both_ways_of_averaging_give_the_mean(dtype: str, backward: bool, with_alpha: bool) -> None:
    rng = np.random.default_rng(4)
    top = np.iinfo(dtype).max
    color = rng.integers(0, top, (10, 23, 3), dtype=dtype, endpoint=True)
    alpha = rng.integers(0, top, (10, 23, 1), dtype=dtype, endpoint=True) if with_alpha else None
    down, across = cells_along(10, 10, backward), cells_along(23, 10, backward)
    quick = reduce_strip(color, alpha, down, across)
    parts = [(color[r : r + 3], None if alpha is None else alpha[r : r + 3]) for r in range(0, 10, 3)]
    slow = reduce_tall(parts, across)
    weight = np.ones((10, 23, 1)) if alpha is None else alpha.astype(float)
    edges = [0, 3, 13, 23] if backward else [0, 10, 20, 23]
    spans = [slice(a, b) for a, b in pairwise(edges)]
    want = [(color[:, s] * weight[:, s]).sum(axis=(0, 1)) / weight[:, s].sum() for s in spans]
    assert quick.shape == slow.shape == (1, 3, 3)
    assert abs(quick[0] - np.array(want)).max() <= 0.5 + top / 2**22  # sums in 32-bit floats
    assert abs(slow[0] - np.array(want)).max() <= 0.5


def test_hidden_pixels_do_not_show_and_hidden_cells_keep_their_mean() -> None:
    color = np.array([[[10], [200], [30], [50]]], np.uint8)
    alpha = np.array([[[255], [0], [0], [0]]], np.uint8)
    pair = cells_along(4, 2, backward=False)
    row = Cells(0, 1, 0, 1, 2, 0, 1)
    assert reduce_strip(color, alpha, row, pair).ravel().tolist() == [10, 40]
    assert reduce_tall([(color, alpha)], pair).ravel().tolist() == [10, 40]
