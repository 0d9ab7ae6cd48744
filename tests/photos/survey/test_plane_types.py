"""I check how unsure a measured side is where it ends."""

from __future__ import annotations

import numpy as np
import pytest
from flat_photos import fit_of, photo, scaled

from stitchbed.photos.geometry.plane_pose import radius95, together95
from stitchbed.photos.sides.edge_points import Side
from stitchbed.photos.sides.edge_shape import EdgeShape
from stitchbed.photos.survey.plane_types import (
    THICK_MM,
    Found,
    _edge_covariance,
    _sharpest,
    _thickness_covariance,
    off_line,
)

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


def test_a_side_half_hidden_is_no_more_unsure_there_than_its_lean() -> None:
    """Places of its second half, a few of which lie .2 mm off: a curve through them is 1 mm off at the other end."""
    along = np.linspace(0.48, 0.97, 47)
    off = 0.03 * np.random.default_rng(2).standard_normal(47) + 0.2 * (along < 0.51)
    left = off - np.polynomial.Polynomial.fit(along, off, 1)(along)
    hidden, seen = off_line(along, left)
    assert 2 * seen < hidden < 0.3


def test_a_photo_s_own_blur_tells_how_sharp_its_sides_may_be() -> None:
    sharp, soft = (Side("left", fit_line(40.0), 0.1, 1.0, shape=EdgeShape(width, 0, 0)) for width in (1.0, 1.8))
    assert _sharpest({0: {"left": sharp, "top": sharp}, 1: {"left": soft, "top": soft}}) == {0: 1.0, 1: 1.8}
    assert _sharpest({0: {"left": sharp, "top": sharp}, 1: {"left": soft}})[1] == 1.0  # nothing to compare it with


def test_two_places_leave_a_line_as_it_is() -> None:
    assert off_line(np.array([0.0, 1.0]), np.array([0.1, -0.1])) == pytest.approx([0.1, 0.1])


def unsure(**more: object) -> np.ndarray:
    """(4,) mm, 95 %, at the corners of a work in a flat view of 1 px/mm of which one side was measured, at its left."""
    fit = fit_of([photo(np.zeros((100, 200, 3), np.uint8))], [scaled(1.0)])
    corners = np.array([[40.0, 20], [160, 20], [160, 80], [40, 80]])
    side = Side("left", fit_line(40.0), 0.1, 1.0, **more)  # type: ignore[arg-type]
    return radius95(_edge_covariance(fit, Found(((),), {0: {"left": side}}, corners, True)))


def test_a_side_of_two_lines_is_as_unsure_as_they_lie_apart() -> None:
    """Either flank of a shadow may be the work's left side, 2 mm apart: what is told reaches over both."""
    alone, either = unsure(), unsure(other_xy=fit_line(38.0))
    assert np.abs(alone).max() < 0.3  # its neighbors were seen in the small view only
    assert np.sqrt(either**2 - alone**2) == pytest.approx([1.13, 0, 0, 1.13], abs=0.05)


def test_a_blurred_side_is_unsure_all_along() -> None:
    """2 px wide, and light goes back beyond it by half of its step, as where a shadow lies there."""
    plain, shadowed = (unsure(shape=EdgeShape(2.0, back, 0.0)) for back in (0.0, 0.5))
    assert 0.3 < plain[0] < 1 < shadowed[0] < 3 and plain[1] == shadowed[1] == pytest.approx(0.24, abs=0.02)


def test_a_side_in_the_shadow_at_its_foot_is_unsure_all_along() -> None:
    shape = EdgeShape(1.0, 0.0, 0.0, True)
    plain, shaded = (unsure(shape=shape, shaded_px=sigma) for sigma in (0.0, 0.5))
    assert np.sqrt(shaded[0] ** 2 - plain[0] ** 2) == pytest.approx(1.96 * 0.5, rel=0.1)


def test_a_work_may_be_thicker_than_a_card() -> None:
    """Straight from above it seems larger alike at all corners; where it seems to lie as a whole counts nothing."""
    fit = fit_of([photo(np.zeros((100, 200, 3), np.uint8))], [scaled(1.0)])
    corners = np.array([[40.0, 20], [160, 20], [160, 80], [40, 80]])
    unsure_mm = np.sqrt(np.diag(_thickness_covariance(fit, [0] * 4, corners))).reshape(4, 2)
    away = THICK_MM / (0.75 * np.hypot(200, 100))  # the camera is one focal length away at 1 px/mm
    assert unsure_mm == pytest.approx(away * np.tile([60.0, 30.0], (4, 1)), rel=0.03)


def fit_line(x: float) -> np.ndarray:
    """Photo px of plane places at that x."""
    return np.stack([np.full(50, x), np.linspace(22, 78, 50)], axis=1) - 0.5


def test_errors_that_go_together_need_no_wider_circles_than_one_does() -> None:
    """Of corners by themselves one in five works would have one outside of its own circle."""
    grown = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]]).ravel()
    sized, alone = np.outer(grown, grown), np.eye(8)
    assert together95(sized) == pytest.approx(radius95(sized), rel=0.01)
    wider = together95(alone) / radius95(alone)
    assert wider == pytest.approx(np.full(4, np.sqrt(np.log(1 - 0.95**0.25) / np.log(0.05))), rel=0.01)
