"""I check how unsure a measured side is where it ends."""

from __future__ import annotations

import numpy as np
import pytest
from flat_photos import fit_of, photo, scaled

from stitchbed.photos.geometry.edge_points import Side
from stitchbed.photos.survey.plane_types import SIGMAS_95_IN_PLANE, Found, _roughness, off_line

ALONG = np.linspace(0.05, 0.95, 60)


def test_a_straight_side_is_as_unsure_as_its_places_scatter() -> None:
    scatter = 0.05 * np.random.default_rng(1).standard_normal(60)
    ends = off_line(ALONG, scatter)
    assert ends == pytest.approx(np.full(2, np.sqrt(np.mean(scatter**2))), rel=0.2)


def test_a_side_that_bends_away_is_unsure_where_it_ends() -> None:
    """Lost in a shadow over its first third, 2 mm outside at the corner: its places scatter by far less."""
    bent = 2 * np.maximum(0, 1 - ALONG / 0.6) ** 2
    line = np.polynomial.Polynomial.fit(ALONG, bent, 1)
    left = bent - line(ALONG)
    truly = 2 - float(line(0))
    assert 2.45 * np.sqrt(np.mean(left**2)) < truly < 2.45 * off_line(ALONG, left)[0]


def test_two_places_leave_a_line_as_it_is() -> None:
    assert off_line(np.array([0.0, 1.0]), np.array([0.1, -0.1])) == pytest.approx([0.1, 0.1])


def test_a_side_of_two_lines_is_as_unsure_as_they_lie_apart() -> None:
    """Either flank of a shadow may be the work's left side, 2 mm apart: what is told reaches over both."""
    fit = fit_of([photo(np.zeros((100, 200, 3), np.uint8))], [scaled(1.0)])
    corners = np.array([[40.0, 20], [160, 20], [160, 80], [40, 80]])
    line = fit_line(40.0)
    one, two = (Side("left", line, 0.1, 1.0, other) for other in (None, fit_line(38.0)))
    alone, either = (_roughness(fit, Found(((),), {0: {"left": side}}, corners, True)) for side in (one, two))
    assert alone == pytest.approx(np.zeros(4), abs=1e-6)
    assert SIGMAS_95_IN_PLANE * either == pytest.approx([1.41, 0, 0, 1.41], abs=0.01)


def fit_line(x: float) -> np.ndarray:
    """Photo px of plane places at that x."""
    return np.stack([np.full(50, x), np.linspace(22, 78, 50)], axis=1) - 0.5
