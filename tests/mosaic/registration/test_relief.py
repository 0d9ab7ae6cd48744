"""I check that pieces which show the surface lit from another side are found by what their ties miss, and only then."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.imaging.transforms import similarity_matrix
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.registration.relief import lit_otherwise, turned_apart
from stitchbed.mosaic.registration.tie_points import Ties, gathered


def _pieces(*quarters: int, size: tuple[int, int] = (400, 500)) -> list[Placement]:
    turns = [np.pi / 2 * quarter + 0.01 for quarter in quarters]
    return [
        Placement(f"p{k}", size, similarity_matrix(np.array([np.cos(a), np.sin(a), 300.0 * k, 0.0])))
        for k, a in enumerate(turns)
    ]


def _tied(places: list[Placement], scatter: dict[tuple[int, int], float], each: int = 50) -> tuple[Ties, np.ndarray]:
    """`each` ties of every pair, and what they are left off by: .02 px, and of the pairs of `scatter` so many."""
    rng, at = np.random.default_rng(3), np.zeros(2)
    pairs = [(i, j) for i in range(len(places)) for j in range(i + 1, len(places))]
    ties = gathered([(i, j, at, at, np.eye(2), 0.9) for i, j in pairs for _ in range(each)])
    sigma = np.repeat([scatter.get(pair, 0.02) for pair in pairs], each)
    return ties, rng.standard_normal((len(sigma), 2)) * sigma[:, None]


def test_the_turned_piece_whose_ties_scatter_is_found() -> None:
    places = _pieces(0, 2, 0)
    assert lit_otherwise(places, *_tied(places, {(0, 1): 0.3, (1, 2): 0.3})) == {1}


@pytest.mark.parametrize("quarter", [1, 3])
def test_a_quarter_turn_is_found_too_and_the_first_piece_as_well(quarter: int) -> None:
    places = _pieces(quarter, 0, 0)
    assert lit_otherwise(places, *_tied(places, {(0, 1): 0.3, (0, 2): 0.3})) == {0}


def test_a_flat_sheet_and_one_that_scatters_everywhere_have_none() -> None:
    places = _pieces(0, 2, 0)
    assert lit_otherwise(places, *_tied(places, {})) == frozenset()
    assert lit_otherwise(places, *_tied(places, dict.fromkeys([(0, 1), (0, 2), (1, 2)], 0.3))) == frozenset()


def test_few_ties_tell_nothing() -> None:
    places = _pieces(0, 2, 0)
    assert lit_otherwise(places, *_tied(places, {(0, 1): 0.3, (1, 2): 0.3}, each=15)) == frozenset()


@pytest.mark.parametrize(("quarters", "apart"), [(0, False), (1, True), (2, True), (3, True)])
def test_pieces_turned_by_quarters_are_lit_from_another_side(quarters: int, apart: bool) -> None:
    one, two = (piece.sheet_from_tile for piece in _pieces(0, quarters))
    assert turned_apart(one, two) is apart
