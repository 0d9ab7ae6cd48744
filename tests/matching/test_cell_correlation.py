"""I check correlations of cells against numpy's, where pictures end and where one shows nothing."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stitchbed.matching.cell_correlation import correlate


@pytest.mark.parametrize(("cell", "reach", "stride"), [(16, 2, 1), (9, 3, 1), (16, 6, 2)])
def test_cells_are_as_alike_as_numpy_says(cell: int, reach: int, stride: int) -> None:
    rng = np.random.default_rng(5)
    here = np.rint(rng.normal(0, 40, (60, 50))).astype(np.float32)
    there = np.roll(here, (2, -2), (0, 1)) + rng.normal(0, 20, here.shape).astype(np.float32)
    there[:17, :20] = np.nan
    there[40:, 45:] = np.nan
    corners = np.array([(top, left) for top in range(-4, 60, cell) for left in range(-4, 50, cell)])
    found = np.zeros((len(corners), 5))
    correlate(here, there, corners, cell, reach, found, stride)
    for corner, told in zip(corners, found, strict=True):
        wanted = _by_numpy(here, there, corner, cell, reach, stride)
        assert_allclose(told, wanted, atol=2e-5)
    assert (found[:, 0] > 0.8).sum() > 3 and (found[:, 3] == 0).any()


def _by_numpy(
    here: np.ndarray, there: np.ndarray, corner: np.ndarray, cell: int, reach: int, stride: int
) -> list[float]:
    """What a cell should be told: correlation, shift, share seen, spread."""
    rows, cols = np.meshgrid(*(start + np.arange(0, cell, stride) for start in corner), indexing="ij")
    best = [0.0] * 5
    told: list[tuple[float, int, int]] = []
    for dy in range(-reach, reach + 1, stride):
        for dx in range(-reach, reach + 1, stride):
            inside = (rows >= 0) & (rows < 60) & (cols >= 0) & (cols < 50)
            inside &= (rows + dy >= 0) & (rows + dy < 60) & (cols + dx >= 0) & (cols + dx < 50)
            x, y = here[rows[inside], cols[inside]], there[rows[inside] + dy, cols[inside] + dx]
            x, y = x[np.isfinite(y)], y[np.isfinite(y)]
            if len(x) < 20:
                continue
            told.append((float(np.corrcoef(x, y)[0, 1]), dx, dy))
            if dx == 0 and dy == 0:
                best[3:] = [len(x) * stride**2 / cell**2, float(max(x.std(), y.std()))]
    if told:
        best[:3] = max(told, key=lambda one: one[0])
    return best
