"""I check that a lamp is found from paper, and that washes and drawing neither bend it nor are taken for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitchbed.page.sheet.lamp import as_scanned, lamp_only, shows_paper
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


def _bare(rows: slice, cols: slice) -> np.ndarray:
    """(gh, gw) cells that look like paper."""
    paper = np.zeros(SHAPE, bool)
    paper[rows, cols] = True
    return paper


SKY = _bare(slice(0, 9), slice(None))  # pale, over half of a picture painted to its edges
MARGIN = ~_bare(slice(2, -2), slice(2, -2))
ONE_SIDE_PAINTED = MARGIN & ~_bare(slice(-2, None), slice(3, -3))
STROKES = _bare(slice(3, 12, 4), slice(3, 15))


@pytest.mark.parametrize(
    ("paper", "tint", "shown"),
    [
        (np.ones(SHAPE, bool), TINT, True),
        (MARGIN, TINT, True),
        (ONE_SIDE_PAINTED, TINT, True),
        (MARGIN, np.array([0.43, 0.28, 0.14]), True),  # brown wrapping paper
        (np.zeros(SHAPE, bool), TINT, False),
        (SKY, TINT, False),
        (STROKES, TINT, False),
        (MARGIN, np.array([0.74, 0.60, 0.10]), False),  # yellow paint all round
    ],
)
def test_paper_goes_round_a_picture_or_is_nearly_all_of_it(paper: np.ndarray, tint: np.ndarray, shown: bool) -> None:
    seen = replace(white(lamp(), paper), mean=tint.astype(np.float32))
    assert shows_paper(seen) is shown
    kept = as_scanned(seen)
    assert (kept.grid == 1).all() and (kept.mean == 1).all() and not kept.paper.any()


def test_what_is_as_light_as_white_paper_is_doubted_where_it_is_not_believed() -> None:
    seen = replace(white(lamp(), SKY), mean=np.full(3, 0.8, np.float32))
    doubted = as_scanned(seen).doubted
    assert doubted is not None and np.array_equal(doubted, SKY)
    dark, yellow = (np.array(color, np.float32) for color in ((0.5, 0.5, 0.5), (0.9, 0.8, 0.2)))
    assert as_scanned(replace(seen, mean=dark)).doubted is None
    assert as_scanned(replace(seen, mean=yellow)).doubted is None
    assert as_scanned(replace(seen, paper=np.zeros(SHAPE, bool))).doubted is None


def test_a_lid_beside_the_sheet_is_no_picture_and_dark_paper_is_no_lid() -> None:
    sheet = ~_bare(slice(4, 8), slice(5, 12))  # something drawn in the middle
    sheet[:2] = sheet[-2:] = sheet[:, :2] = sheet[:, -2:] = False
    seen = white(lamp(), sheet)
    lid = np.where(sheet[..., None], seen.cells, seen.cells * 0.8)
    lid[4:8, 5:12] = 0.3 * seen.cells[4:8, 5:12]
    assert shows_paper(replace(seen, cells=lid))
    night = np.where(sheet[..., None], seen.cells, np.float32(0.02))  # chalk over most of a dark sheet
    assert not shows_paper(replace(seen, cells=night))


def test_a_last_row_that_lies_half_beyond_the_sheet_does_not_hide_its_margin() -> None:
    margin = MARGIN.copy()
    margin[-1], margin[:, -1] = False, False
    assert shows_paper(white(lamp(), margin))
