"""I check that the work's own sides are found, and measured to a fraction of a pixel."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.imaging.sample import look_up
from stitchbed.photos.sides.edge_points import measure_side
from stitchbed.photos.sides.lines import SIDES, corners_of, sides_through
from stitchbed.photos.sides.rectangle import find_sides
from stitchbed.photos.survey.work_edges import CLEAR_SHARE

TRUE = np.array([[150.0, 90], [812, 120], [790, 560], [130, 530]])


def covered(shape: tuple[int, int]) -> np.ndarray:
    """(h, w) share of each pixel inside TRUE, by its distance from the nearest side."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    inside = np.full(shape, np.inf)
    for a, b in zip(TRUE, np.roll(TRUE, -1, axis=0), strict=True):
        normal = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
        inside = np.minimum(inside, (x - a[0]) * normal[0] + (y - a[1]) * normal[1])
    return np.clip(inside + 0.5, 0, 1)


def picture(rng: np.random.Generator, *, frame: bool, contrast: float = 60) -> np.ndarray:
    """A work with strokes, and if asked a drawn frame within, on a table with grain."""
    view = np.full((640, 960, 3), 110.0)
    view += rng.normal(0, 1.5, view.shape)
    view += contrast * covered(view.shape[:2])[..., None]
    for _ in range(40):
        a, b = rng.uniform([220, 170], [720, 480], (2, 2)).astype(int)
        cv2.line(view, a.tolist(), b.tolist(), (60, 60, 90), 2, cv2.LINE_AA)
    if frame:
        inner = TRUE.mean(0) + 0.8 * (TRUE - TRUE.mean(0))
        cv2.polylines(view, [np.rint(inner).astype(np.int32)], True, (20, 20, 20), 2, cv2.LINE_AA)
    return np.clip(cv2.GaussianBlur(view, (0, 0), 0.8), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("frame", [False, True])
@pytest.mark.parametrize("contrast", [60, 12, -50])
def test_the_outer_sides_are_found(frame: bool, contrast: float) -> None:
    """A drawn frame is as straight as the sheet; the sheet is the larger of the two."""
    view = picture(np.random.default_rng(3), frame=frame, contrast=contrast)
    sides = find_sides(view, np.zeros(view.shape[:2], bool), tilt=0.1)
    assert sides is not None
    assert np.abs(corners_of(sides) - TRUE).max() < 2.5  # px; where edge pixels are counted in whole px


def test_a_card_in_the_way_hides_a_side_but_is_not_taken_for_it() -> None:
    view = picture(np.random.default_rng(4), frame=False)
    keep_out = np.zeros(view.shape[:2], bool)
    cv2.rectangle(view, (805, 200), (950, 420), (250, 250, 250), -1)
    keep_out[196:424, 801:954] = True
    sides = find_sides(view, keep_out, tilt=0.1)
    assert sides is not None
    assert np.abs(corners_of(sides) - TRUE).max() < 3


def test_nothing_is_found_where_nothing_is() -> None:
    rng = np.random.default_rng(5)
    empty = np.clip(rng.normal(120, 2, (500, 700, 3)), 0, 255).astype(np.uint8)
    assert find_sides(empty, np.zeros(empty.shape[:2], bool), tilt=0.1) is None
    for _ in range(3):
        strokes = scribbled(empty, 30, rng)
        assert find_sides(strokes, np.zeros(strokes.shape[:2], bool), tilt=0.05) is None


def scribbled(empty: np.ndarray, count: int, rng: np.random.Generator) -> np.ndarray:
    strokes = empty.copy()
    for _ in range(count):
        a, b = rng.uniform([0, 0], [700, 500], (2, 2)).astype(int)
        cv2.line(strokes, a.tolist(), b.tolist(), (40, 40, 40), 2, cv2.LINE_AA)
    return strokes


@pytest.mark.parametrize("seed", range(4))
def test_lines_among_dense_strokes_are_not_clear(seed: int) -> None:
    """120 strokes make rectangles by chance; measured along their sides, too few places lie on one line."""
    rng = np.random.default_rng(seed)
    view = scribbled(np.clip(rng.normal(120, 2, (500, 700, 3)), 0, 255).astype(np.uint8), 120, rng)
    lines = find_sides(view, np.zeros(view.shape[:2], bool), tilt=0.05)
    if lines is None:
        return
    corners, light = corners_of(lines), view.astype(np.float32) / 255
    shares = []
    for name, ends in {"top": (0, 1), "right": (1, 2), "bottom": (3, 2), "left": (0, 3)}.items():
        side = measure_side(name, corners[list(ends)], lambda xy: xy, lambda xy: look_up(light, xy), reach=4.0)
        shares.append(0.0 if side is None else side.share)
    assert sum(share >= CLEAR_SHARE for share in shares) < 3


def test_lines_through_corners_meet_there_again() -> None:
    assert corners_of(sides_through(TRUE)) == pytest.approx(TRUE, abs=1e-9)


@pytest.mark.parametrize("side", SIDES)
def test_a_side_is_measured_to_a_tenth_of_a_pixel(side: str) -> None:
    view = picture(np.random.default_rng(6), frame=True).astype(np.float32) / 255
    ends = {"top": (0, 1), "right": (1, 2), "bottom": (3, 2), "left": (0, 3)}[side]
    a, b = TRUE[list(ends)]
    off = np.array([2.0, -1.5])
    found = measure_side(side, np.stack([a + off, b + off]), lambda xy: xy, lambda xy: look_up(view, xy), reach=6.0)
    assert found is not None
    normal = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
    away = (found.photo_xy - a) @ normal
    assert abs(away.mean()) < 0.12  # px; grain of 1.5 gray levels on a step of 60
    assert away.std() < 0.2 and len(found.photo_xy) > 60


def test_a_side_behind_something_else_is_measured_where_it_is_free() -> None:
    view = picture(np.random.default_rng(7), frame=False).astype(np.float32) / 255
    a, b = TRUE[0], TRUE[1]

    def hidden(xy: np.ndarray) -> np.ndarray:
        return np.asarray(xy[:, 0] > 500)

    found = measure_side("top", np.stack([a, b]), lambda xy: xy, lambda xy: look_up(view, xy), reach=6.0, hidden=hidden)
    assert found is not None and found.photo_xy[:, 0].max() <= 500
    nothing = measure_side(
        "top",
        np.stack([a, b]) + np.array([0, 30]),
        lambda xy: xy,
        lambda xy: np.full((*xy.shape[:-1], 1), 0.4),
        reach=4.0,
    )
    assert nothing is None


def test_looking_up_between_pixels() -> None:
    ramp = np.add.outer(10.0 * np.arange(20), np.arange(30)).astype(np.float32)
    xy = np.array([[3.25, 4.5], [0.0, 0.0], [-5.0, 2.0], [28.9, 18.1]])
    expected = [45 + 3.25, 0, 20, 181 + 28.9]
    assert look_up(ramp, xy) == pytest.approx(expected, abs=0.2)  # places are cut to 1/32 px, the slope is 10 per px
