"""I check how unsure a measured side is where it ends."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.photos.survey.plane_types import off_line

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
