"""I check slopes of what photos show of a plane against small steps of each unknown."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.photos.geometry.lens import plain_lens
from stitchbed.photos.geometry.plane_pose import Frame
from stitchbed.photos.solving.initial_guess import CardPoints, SidePoints, TiePoints
from stitchbed.photos.solving.plane_equations import PlaneSettings, Problem, residuals_at
from stitchbed.photos.solving.plane_slopes import card_slopes, side_slopes, tie_slopes


def problem(shared_lens: bool, rng: np.random.Generator) -> tuple[Problem, np.ndarray]:
    """Two photos, two cards, a free and a known side, ties with and without whiteners; unknowns anywhere."""
    frame = Frame((plain_lens(600, 400), plain_lens(400, 600)), ("a", "b"), ("top",), shared_lens)
    xy = rng.uniform(0, 180, (7, 2))
    seen = rng.uniform(50, 350, (7, 2))
    cards = (CardPoints(0, "a", xy, seen, 0.1), CardPoints(0, "b", xy, seen, 0.2), CardPoints(1, "b", xy, seen, 0.1))
    sides = (SidePoints(1, "top", seen, 0.3), SidePoints(0, "left", seen, 0.3, np.array([0.6, 0.8, 40.0])))
    ties = (TiePoints(0, 1, seen, seen, 0.4), TiePoints(1, 0, seen, seen, 0.4, rng.normal(0, 1, (7, 2, 2))))
    params = rng.normal(0, 0.03, frame.starts[4])
    params[frame.starts[0] : frame.starts[1]] *= np.resize(
        [1, 1, 0.1, 0.1, 0.02, 0.02], frame.starts[1] - frame.starts[0]
    )
    for start in (0, 8):
        params[start : start + 8] += [0.3, 0.02, -0.2, -0.03, 0.32, -0.1, 0.01, 0.02]
    return Problem(frame, cards, sides, ties, PlaneSettings()), params


@pytest.mark.parametrize("shared_lens", [True, False])
def test_slopes_are_those_of_small_steps(shared_lens: bool) -> None:
    made, params = problem(shared_lens, np.random.default_rng(2))
    frame, step = made.frame, 1e-6
    found = np.concatenate(
        [card_slopes(frame, params, card) for card in made.cards]
        + [side_slopes(frame, params, side) for side in made.sides]
        + [tie_slopes(frame, params, tie) for tie in made.ties]
    )
    steps = [
        (residuals_at(made, params + step * unit) - residuals_at(made, params - step * unit)) / (2 * step)
        for unit in np.eye(len(params))
    ]
    expected = np.stack(steps, 1)[: len(found)]  # beliefs come last
    scale = np.maximum(np.abs(expected).max(axis=0), 1)
    assert np.abs((found - expected) / scale).max() < 1e-6
