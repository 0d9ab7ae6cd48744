"""I check that lifts solved a few at a time are those that scipy's non-negative least squares gives for all at once."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg, optimize

from stitchbed.mosaic.photometry.lift_profiles import PRICE, _solved

TERMS, LIFTS = 12, 90


@pytest.mark.parametrize("draw", range(8))
def test_few_lifts_at_a_time_are_the_lifts_of_all_at_once(draw: int) -> None:
    """Lawson and Hanson's method on the whole system: terms of any sign, and lifts that have a price."""
    rng = np.random.default_rng(draw)
    truth = np.concatenate([rng.normal(0, 0.1, TERMS), np.where(rng.random(LIFTS) < 0.1, rng.uniform(0, 2, LIFTS), 0)])
    blocks, normal, right = [], np.zeros((TERMS + LIFTS,) * 2), np.zeros(TERMS + LIFTS)
    for _ in range(30):
        columns = np.sort(rng.choice(TERMS + LIFTS, 25, replace=False))
        rows = rng.normal(0, 3, (25, 40))
        blocks.append((columns, rows @ rows.T))
        normal[np.ix_(columns, columns)] += rows @ rows.T
        right[columns] += rows @ (rows.T @ truth[columns] + rng.normal(0, 1, 40))
    expected = rng.uniform(0.05, 0.3, TERMS)
    found = _solved(blocks, right, expected)
    whole = normal + np.diag(np.concatenate([1 / expected**2, np.ones(LIFTS)]))
    value = right - np.concatenate([np.zeros(TERMS), np.full(LIFTS, PRICE)])
    # terms of any sign are the difference of two that are 0 or more
    both = np.block([[whole[:, :TERMS], -whole[:, :TERMS], whole[:, TERMS:]]])
    both = np.block([[both[:TERMS]], [-both[:TERMS]], [both[TERMS:]]]) + 1e-9 * np.eye(2 * TERMS + LIFTS)
    root = linalg.cholesky(both, lower=True)
    split = np.concatenate([value[:TERMS], -value[:TERMS], value[TERMS:]])
    every = optimize.nnls(root.T, linalg.solve_triangular(root, split, lower=True))[0]
    wanted = np.concatenate([every[:TERMS] - every[TERMS : 2 * TERMS], every[2 * TERMS :]])
    assert 3 <= np.count_nonzero(wanted[TERMS:] > 1e-6) < LIFTS
    assert np.abs(found - wanted).max() < 1e-5
