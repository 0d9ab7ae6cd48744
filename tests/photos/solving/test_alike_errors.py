"""I check that errors which neighbors share are told from independent ones, and that heights of paper shift corners."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.card.board import full_piece, saddles
from stitchbed.core.arrays import Array
from stitchbed.photos.geometry.lens import Lens
from stitchbed.photos.solving.alike_errors import (
    CURLED,
    added_by_alike,
    added_by_bends,
    alike_share,
    larger_by_height,
    lifted_as_seen,
    lifts_of,
)
from stitchbed.photos.solving.initial_guess import CardPoints

XY = np.concatenate([saddles(board) for board in full_piece().boards])
CARD = CardPoints(0, "full", XY, XY * 4, 0.05)


def of_a_line() -> tuple[Array, Array]:
    """Slopes of x and y errors by a mean, a tilt and a bend along the card, and the inverse of their normal matrix."""
    u = XY[:, 1] / 100 - 1
    slopes = np.kron(np.stack([np.ones(len(u)), u, u**2], 1), np.ones((2, 1)))
    return slopes, np.linalg.inv(slopes.T @ slopes)


def left(errors: Array) -> Array:
    slopes, inverse = of_a_line()
    return errors - slopes @ (inverse @ (slopes.T @ errors))


def added(errors: Array) -> float:
    """To the variance of the mean."""
    slopes, inverse = of_a_line()
    share = alike_share([CARD], left(errors), slopes, inverse)
    return float(added_by_alike([CARD], share, slopes, inverse)[0, 0])


def test_independent_errors_add_nothing_and_waves_what_they_do() -> None:
    slopes, inverse = of_a_line()
    rng = np.random.default_rng(3)
    alone = [added(rng.standard_normal(2 * len(XY))) for _ in range(20)]
    assert np.median(alone) == 0 and np.mean(np.array(alone) > 0.5 * inverse[0, 0]) < 0.2
    got, told, sizes = [], [], []
    for _ in range(60):  # waves of 60 to 150 mm
        turn = rng.uniform(0, np.pi)
        phase = 2 * np.pi * (XY @ [np.cos(turn), np.sin(turn)]) / rng.uniform(60, 150) + rng.uniform(0, 6.3)
        errors = np.stack([0.3 * np.sin(phase), np.sin(phase)], 1).ravel() + 0.5 * rng.standard_normal(2 * len(XY))
        sizes.append(np.mean(errors**2))
        got.append((inverse @ (slopes.T @ errors))[0] ** 2)
        told.append(added(errors) + 0.25 * inverse[0, 0])
    assert np.mean(got) > 1.5 * np.mean(sizes) * inverse[0, 0]  # what independent errors of that size would do
    assert 0.6 < np.mean(told) / np.mean(got) < 3


def test_four_corners_of_a_work_have_no_neighbors() -> None:
    work = CardPoints(0, "work", np.array([[0, 0], [300, 0], [300, 200], [0, 200.0]]), np.zeros((4, 2)), 3.0)
    slopes = np.ones((8, 1))
    assert alike_share([work], np.arange(8.0), slopes, np.array([[1 / 8]])) == 0


def test_paper_is_as_bent_as_what_neighbors_share_tells_and_never_flatter_than_believed() -> None:
    lifts = [np.full((5, 2), 2.0), np.full((3, 2), -2.0)]
    for share, factor in ((0.0, 1.0), (1.0, 1.0), (16.0, 3.0)):
        assert lifted_as_seen(lifts, share)[1] == pytest.approx(factor * lifts[1])
    curled = np.linspace(-1, 1, 2001) ** 2  # touches the table in the middle
    assert np.mean(curled**2) / curled.var() == pytest.approx(CURLED, rel=0.01)


def test_bends_add_what_a_tilt_of_the_whole_paper_would() -> None:
    """Heights that are alike all over a card move it as one: the mean takes the shift of one corner at one sigma."""
    near = CardPoints(0, "full", XY / 1000, XY * 4, 0.05)
    slopes = np.kron(np.ones((len(XY), 1)), np.eye(2))
    inverse = np.linalg.inv(slopes.T @ slopes)
    added = added_by_bends([near], [np.tile([3.0, -2.0], (len(XY), 1))], slopes, inverse)
    assert added == pytest.approx(np.array([[9, -6], [-6, 4]]), rel=1e-3)


@pytest.mark.parametrize("tilt", [0.25, 0.5])
def test_heights_are_seen_where_a_general_camera_model_sees_them(tilt: float) -> None:
    """Against `cv2.projectPoints`: a plane point and the point a millimeter above it, focal length unknown."""
    turn = cv2.Rodrigues(np.array([tilt, 0.4 * tilt, 0.1]))[0]
    camera = np.array([[2600.0, 0, 1210], [0, 2600, 880], [0, 0, 1]])
    far = np.array([20.0, -30, 700])
    flat = np.array([[-150, -100], [150, -100], [150, 100], [-150, 100], [0, 0.0]])
    seen = [
        cv2.projectPoints(np.column_stack([flat, np.full(5, z)]), cv2.Rodrigues(turn)[0], far, camera, None)[0][:, 0]
        for z in (0.0, 1.0)
    ]
    view = camera @ np.column_stack([turn[:, 0], turn[:, 1], far])
    got = lifts_of(view / view[2, 2], Lens(1210, 880, 1500), flat)
    assert got == pytest.approx(seen[1] - seen[0], abs=0.08)
    back = cv2.perspectiveTransform(seen[1][None, :4], np.linalg.inv(view))[0]
    across = np.linalg.norm(back[:2] - back[2:], axis=1) / np.linalg.norm(flat[:2] - flat[2:4], axis=1)
    larger = larger_by_height(view / view[2, 2], Lens(1210, 880, 1500), flat[:4])
    assert larger == pytest.approx(abs(np.mean(across - 1)), rel=0.02)
