"""I check that bent paper is told from independent errors, and that corners are weighed by it."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.card.board import full_piece, saddles
from stitchbed.core.arrays import Array
from stitchbed.photos.solving.initial_guess import CardPoints
from stitchbed.photos.solving.loose_paper import LIFTED, Paper, paper_of, weighted

XY = np.concatenate([saddles(board) for board in full_piece().boards])
CARD = CardPoints(0, "full", XY, XY * 4, 0.05)
LIFT = np.tile([2.0, 1.0], (len(XY), 1))  # sigmas at a height as believed


def slopes_of() -> Array:
    """Of x and y errors by a mean and a tilt along the card."""
    u = (XY[:, 1] - XY[:, 1].mean()) / 100
    return np.kron(np.stack([np.ones(len(u)), u], 1), np.eye(2))


def mean_of(errors: Array, paper: Paper | None) -> tuple[float, float]:
    """Found for the mean of x, which is zero, and its variance as told."""
    slopes, right = weighted(paper, slopes_of()), weighted(paper, errors)
    inverse = np.linalg.inv(slopes.T @ slopes)
    return float((inverse @ (slopes.T @ right))[0]), float(inverse[0, 0])


def paper_for(errors: Array, lift: Array = LIFT) -> Paper:
    slopes = slopes_of()
    left = errors - slopes @ np.linalg.lstsq(slopes, errors)[0]
    found = paper_of([CARD], [lift], left, slopes)
    assert found is not None
    return found


def rolled(rng: np.random.Generator, bend: float) -> Array:
    """Errors, in sigmas, of paper waved along a chance direction, with independent ones."""
    turn = rng.uniform(0, np.pi)
    phase = 2 * np.pi * (XY @ [np.cos(turn), np.sin(turn)]) / rng.uniform(150, 300) + rng.uniform(0, 6.3)
    return (bend * np.sin(phase)[:, None] * LIFT).ravel() + rng.standard_normal(2 * len(XY))


def test_bends_are_told_and_flat_paper_is_left() -> None:
    rng = np.random.default_rng(4)
    sizes = {bend: [float(np.abs(paper_for(rolled(rng, bend)).common).max()) for _ in range(6)] for bend in (0.0, 3.0)}
    assert np.median(sizes[0.0]) == pytest.approx(2 * LIFTED)  # as believed
    assert 4 < np.median(sizes[3.0]) < 14  # 4.7 of the waves' rms


def test_what_is_told_of_the_mean_holds_and_is_surer_than_by_equal_weights() -> None:
    rng = np.random.default_rng(5)
    got = []
    for _ in range(15):
        errors = rolled(rng, 3.0)
        got.append((*mean_of(errors, paper_for(errors)), mean_of(errors, None)[0]))
    found, told, alone = np.array(got).T
    assert 0.1 < np.mean(found**2 / told) < 2  # a wave leans less than a chance field
    assert np.mean(found**2) < np.mean(alone**2)


def test_errors_alike_without_heights_are_told_too() -> None:
    """As of a printer's feed, seen from above: nothing lifts."""
    rng = np.random.default_rng(6)
    wave = 2 * np.sin(XY[:, 1] / 20 + 1)
    errors = np.stack([wave, 0.3 * wave], 1).ravel() + rng.standard_normal(2 * len(XY))
    paper = paper_for(errors, 0 * LIFT)
    assert mean_of(errors, paper)[1] > 3 * mean_of(errors, None)[1] and not paper.common.any()


def test_one_paper_is_bent_alike_in_all_its_photos() -> None:
    cards = [CARD, CardPoints(1, "full", XY, XY * 3, 0.05), CardPoints(1, "other", XY[:40], XY[:40], 0.05)]
    slopes = np.concatenate([slopes_of(), slopes_of(), slopes_of()[:80]])
    paper = paper_of(cards, [LIFT, LIFT, LIFT[:40]], np.random.default_rng(7).standard_normal(len(slopes)), slopes)
    assert paper is not None
    assert [len(rows) for rows in paper.rows] == [4 * len(XY), 80]
    assert np.concatenate(paper.rows).tolist() == list(range(len(slopes)))


def test_four_corners_of_a_work_have_no_neighbors() -> None:
    work = CardPoints(0, "work", np.array([[0, 0], [300, 0], [300, 200], [0, 200.0]]), np.zeros((4, 2)), 3.0)
    assert paper_of([work], [np.ones((4, 2))], np.arange(8.0), np.ones((8, 1))) is None


@pytest.mark.parametrize("weights", [None, np.array([1.0, 2.0, 3.0])])
def test_plain_weights_multiply_rows(weights: Array | None) -> None:
    rows = np.arange(6.0).reshape(3, 2)
    factor = np.ones(3) if weights is None else weights
    assert weighted(weights, rows) == pytest.approx(factor[:, None] * rows)
    assert weighted(weights, rows[:, 0]) == pytest.approx(factor * rows[:, 0])
