"""I check frames on the plane against rectangles and turns known beforehand, and flat views against plain averages."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from flat_photos import fit_of, photo
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from stitchbed.photos.geometry.output_frame import (
    Facing,
    canvas_from_plane,
    canvas_size,
    facing_around,
    facing_of_corners,
    flat_view,
    inside_photo,
    photo_turn,
    plane_from_canvas,
    to_photo,
)

turns = st.floats(-3.1, 3.1)
places = st.floats(-500, 500)


def turned(xy: np.ndarray, turn: float) -> np.ndarray:
    """Points turned about the origin, by SciPy."""
    return Rotation.from_euler("z", turn).apply(np.column_stack([xy, np.zeros(len(xy))]))[:, :2]


@given(x=places, y=places, turn=turns, u=places, v=places)
def test_canvas_and_plane_are_each_other_s_inverse(x: float, y: float, turn: float, u: float, v: float) -> None:
    facing, xy = Facing(x, y, turn, 100, 50), np.array([[u, v]])
    there = plane_from_canvas(facing, xy)
    assert np.allclose(there, turned(xy, turn) + (x, y), atol=1e-9)
    assert np.allclose(canvas_from_plane(facing, there), xy, atol=1e-9)


@given(turn=turns, width=st.floats(10, 900), height=st.floats(10, 900), margin=st.floats(0, 20))
def test_a_rectangle_s_frame_is_the_rectangle_and_its_margin(
    turn: float, width: float, height: float, margin: float
) -> None:
    upright = np.array([[0.0, 0], [width, 0], [width, height], [0, height]])
    facing = facing_of_corners(turned(upright, turn) + (30, -20), margin)
    assert np.cos(facing.turn - turn) == pytest.approx(1)
    assert (facing.width, facing.height) == pytest.approx((width + 2 * margin, height + 2 * margin))
    corner = turned(np.array([[-margin, -margin]]), turn)[0] + (30, -20)
    assert (facing.x, facing.y) == pytest.approx(tuple(corner), abs=1e-6)


@given(turn=turns, seed=st.integers(0, 99))
def test_the_frame_round_points_holds_them_tightly(turn: float, seed: int) -> None:
    points = np.random.default_rng(seed).normal(0, 50, (9, 2))
    facing = facing_around(points, turn, 3.0)
    inside = canvas_from_plane(facing, points)
    assert np.allclose(inside.min(0), 3) and np.allclose(inside.max(0), (facing.width - 3, facing.height - 3))


@pytest.mark.parametrize("turn", [0.0, 0.4, -2.0])
def test_what_runs_right_in_the_photo(turn: float) -> None:
    c, s = 4 * np.cos(turn), 4 * np.sin(turn)
    fit = fit_of([photo(np.zeros((300, 400, 3), np.uint8))], [np.array([[c, -s, 50], [s, c, 20], [0, 0, 1.0]])])
    assert photo_turn(fit, 0, np.array([200.0, 150.0])) == pytest.approx(-turn)
    xy = np.array([[3.0, 7.0]])
    assert np.allclose(to_photo(Facing(10, 5, 0.0, 9, 9), fit, 0)(xy), 4 * turned(xy + (10, 5), turn) + (50, 20))


def test_sizes_are_rounded_and_never_nothing() -> None:
    assert canvas_size(Facing(0, 0, 0, 210.0, 297.0), 300) == (3508, 2480)  # ISO 216 A4 at 300 dpi
    assert canvas_size(Facing(0, 0, 0, 1e-3, 1e-3), 300) == (1, 1)


def test_a_flat_view_of_a_ramp_is_the_ramp() -> None:
    y, x = np.mgrid[:80, :120].astype(np.float32)
    ramp = np.dstack([2 * x + y, 300 - x])
    view = flat_view(ramp, lambda xy: 1.3 * xy + (7.2, 3.1), (60.0, 40.0), 1.0)
    u, v = np.meshgrid(1.3 * (np.arange(60) + 0.5) + 7.2, 1.3 * (np.arange(40) + 0.5) + 3.1)
    assert np.allclose(view, np.dstack([2 * u + v, 300 - u]), atol=1e-3)


def test_a_smaller_view_is_averaged_first() -> None:
    noise = np.random.default_rng(1).integers(0, 256, (120, 160, 3), dtype=np.uint8)
    view = flat_view(noise, lambda xy: xy * 8 - 0.5, (20.0, 15.0), 1.0)
    assert view.dtype == np.uint8
    assert np.abs(view.astype(int) - cv2.resize(noise, (20, 15), interpolation=cv2.INTER_AREA)).max() <= 1


def test_a_photo_ends_half_a_pixel_beyond_its_outer_middles() -> None:
    xy = np.array([[-0.5, -0.5], [-0.51, 0], [9.5, 4.5], [9.51, 0], [0, 4.51], [4, 2]])
    assert inside_photo(xy, (5, 10)).tolist() == [True, False, True, False, False, True]
    assert inside_photo(xy.reshape(2, 3, 2), (5, 10)).shape == (2, 3)
