"""I check that a lamp is found from paper, and that washes and drawing neither bend it nor are taken for it."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.page.sheet.lamp import lamp_only
from stitchbed.page.sheet.white import White

SHAPE = (16, 20)
TINT = np.array([0.92, 0.88, 0.80])


def lamp() -> np.ndarray:
    """(gh, gw) a fall-off in even powers, a slope along the travel; its logarithm is a polynomial of degree 4."""
    y, x = np.meshgrid(*(np.linspace(-1, 1, n) for n in SHAPE), indexing="ij")
    return np.asarray(np.exp(-0.09 * x**2 - 0.04 * x**4 + 0.03 * y - 0.02 * x**2 * y**2))


def white(cells: np.ndarray, paper: np.ndarray | None = None) -> White:
    """A map as the survey makes it; its own grid is not looked at."""
    shown = np.ones(SHAPE, bool) if paper is None else paper
    seen = (cells[..., None] * TINT).astype(np.float32)
    return White(np.zeros_like(seen), 0, 0, 40, shown, np.ones(3, np.float32), seen)


def test_a_polynomial_lamp_comes_back() -> None:
    found = lamp_only(white(lamp()))
    assert np.allclose(found.grid, lamp()[..., None] * TINT, rtol=1e-4)
    assert found.grid.dtype == np.float32
    assert np.allclose(found.mean / found.mean[0], TINT / TINT[0], rtol=1e-4)


@pytest.mark.parametrize("depth", [0.01, 0.03, 0.3])
def test_washes_however_pale_stay_below_the_lamp(depth: float) -> None:
    cells = lamp()
    cells[3:9, 3:9] *= 1 - depth
    cells[10:13, 12:18] *= 1 - depth
    found = lamp_only(white(cells))
    assert np.abs(found.grid[..., 0] / (lamp() * TINT[0]) - 1).max() < 0.004  # a wash of 1 % keeps more than half


def test_cells_that_show_no_paper_do_not_count() -> None:
    cells, paper = lamp(), np.ones(SHAPE, bool)
    paper[2:13, 5:15] = False
    cells[~paper] = 1.4  # lighter than any paper: they would lift it
    found = lamp_only(white(cells, paper))
    assert np.abs(found.grid[..., 0] / (lamp() * TINT[0]) - 1).max() < 0.002


def test_without_paper_all_stays() -> None:
    seen = white(lamp(), np.zeros(SHAPE, bool))
    assert lamp_only(seen) is seen


@pytest.mark.parametrize(("cells", "degree"), [(1, 0), (17, 0), (18, 1), (36, 2), (59, 2), (60, 3), (89, 3)])
def test_few_cells_hold_no_high_degree(cells: int, degree: int) -> None:
    paper = np.zeros(SHAPE, bool)  # six cells for each term of a polynomial in x and y
    paper.ravel()[np.random.default_rng(1).permutation(paper.size)[:cells]] = True
    found = np.log(lamp_only(white(lamp(), paper)).grid[..., 0].astype(float))
    y, x = np.meshgrid(*(np.linspace(-1, 1, n) for n in SHAPE), indexing="ij")
    terms = np.stack(
        [x.ravel() ** i * y.ravel() ** j for i in range(degree + 1) for j in range(degree + 1 - i)], axis=1
    )
    rest = found.ravel() - terms @ np.linalg.lstsq(terms, found.ravel(), rcond=None)[0]
    assert np.abs(rest).max() < 1e-5
