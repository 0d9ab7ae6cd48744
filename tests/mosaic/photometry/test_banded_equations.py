"""I check band equations with a border and held means against the whole matrix, solved by numpy."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.mosaic.photometry.banded_equations import no_equations, order_of, solution


@pytest.mark.parametrize("shared", [0, 3])
@pytest.mark.parametrize("ties", [[(0, 1)], [(n, n + 4) for n in range(16)] + [(n, n + 1) for n in range(19)]])
def test_as_the_whole_matrix(shared: int, ties: list[tuple[int, int]]) -> None:
    rng = np.random.default_rng(len(ties) + shared)
    tiles, each = 20, 3
    tile = np.concatenate([np.repeat(np.arange(tiles), 2), np.arange(tiles), np.full(shared, -1)])
    total = len(tile)
    order = order_of(tile, np.array(ties))
    assert sorted(order.place) == list(range(total))
    assert order.inner == each * tiles
    whole, right, equations = np.zeros((total, total)), rng.normal(size=total), no_equations(order)
    equations.add_right(np.arange(total), right)
    for n in range(total):
        whole[n, n] += 1
        equations.add(np.array([n]), np.ones((1, 1)))
    for pair in ties:
        columns = np.flatnonzero(np.isin(tile, (*pair, -1)))
        rows = rng.normal(size=(len(columns), 40))
        whole[np.ix_(columns, columns)] += rows @ rows.T
        equations.add(columns, rows @ rows.T)
    held = [(np.arange(tiles), 1e6), (np.arange(5) + 2 * tiles, 1e2)]
    for columns, information in held:
        whole[np.ix_(columns, columns)] += information
    assert np.allclose(solution(equations, held), np.linalg.solve(whole, right), rtol=1e-6, atol=1e-9)


def test_a_grid_is_a_narrow_band() -> None:
    """A column of tiles of which each touches the next: no block is wider than two, in any order."""
    tile = np.repeat(np.array([3, 0, 4, 1, 2]), 2)
    ties = np.array([(3, 0), (0, 4), (4, 1), (1, 2)])
    assert order_of(tile, ties).width == 3
