"""I check that a rectangle of a known size is found among the lines of a cloth, and none of another size."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.photos.sides.lines import corners_of
from stitchbed.photos.sides.of_size import sides_of_size

BOX = np.array([[0, 0], [400, 0], [400, 280], [0, 280]]) - 0.5


def checked(*works: tuple[int, int], gray: int = 140) -> np.ndarray:
    """Gray works of 400 x 280 px, each from its top left corner, on a cloth with checks of 40 px."""
    y, x = np.mgrid[:640, :960]
    view = (100.0 + 40 * ((x + 11) // 40 % 2) + 40 * ((y + 5) // 40 % 2))[..., None] * [1.0, 0.8, 0.9]
    for left, top in works:
        view[top : top + 280, left : left + 400] = gray
    view += np.random.default_rng(2).normal(0, 1.5, view.shape)
    return np.clip(cv2.GaussianBlur(view, (0, 0), 0.8), 0, 255).astype(np.uint8)


def test_a_size_tells_the_work_from_the_checks_it_lies_on() -> None:
    """Lines of the cloth make rectangles as well: of many sizes, but hardly of that one."""
    view = checked((250, 150))
    clear = np.zeros(view.shape[:2], bool)
    sides = sides_of_size(view, clear, (401.0, 279.0), tilt=0.1, sure=0.005)
    assert sides is not None
    assert np.abs(corners_of(sides) - ([250, 150] + np.array([[0, 0], [400, 0], [400, 280], [0, 280]]) - 0.5)).max() < 2
    for wrong in ((401.0, 312.0), (330.0, 279.0)):
        assert sides_of_size(view, clear, wrong, tilt=0.1, sure=0.005) is None


def test_two_works_of_a_size_are_not_told_apart() -> None:
    view = checked((40, 150), (520, 150))
    assert sides_of_size(view, np.zeros(view.shape[:2], bool), (400.0, 280.0), tilt=0.1, sure=0.005) is None


def test_a_wrong_one_with_three_good_sides_is_told_by_its_fourth() -> None:
    """A band down the work and a ruler beside it are as far apart as its sides are."""
    view = np.full((640, 960, 3), 110, np.uint8)
    view[150:430, 250:650] = 200
    view[150:430, 250:310] = 70
    view[205:430, 655:710] = 230
    sides = sides_of_size(view, np.zeros(view.shape[:2], bool), (400.0, 280.0), tilt=0.1, sure=0.005)
    assert sides is not None
    assert np.abs(corners_of(sides) - (BOX + [250, 150])).max() < 2


@pytest.mark.parametrize("turn", [0.0, 0.06])
def test_a_work_on_finely_checked_cloth_is_found_by_its_size(turn: float) -> None:
    """The cloth has more lines than are looked at, and longer ones; none of them ends where sides of that size do."""
    y, x = np.mgrid[:640, :960]
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    view = (100.0 + 40 * (u // 14 % 2) + 40 * (v // 14 % 2))[..., None] * [1.0, 0.8, 0.9]
    view[150:430, 250:650] = 215
    view, clear = view.astype(np.uint8), np.zeros(view.shape[:2], bool)
    sides = sides_of_size(view, clear, (401.0, 279.0), tilt=0.1, sure=0.005)
    assert sides is not None
    assert np.abs(corners_of(sides) - (BOX + [250, 150])).max() < 2
    assert sides_of_size(view, clear, (401.0, 312.0), tilt=0.1, sure=0.005) is None


def test_a_sheet_is_told_from_what_its_picture_makes_with_it() -> None:
    """Where the print is not measured all is as large as the size within 5 %, and but one thing is of its shape."""
    view = np.full((640, 960, 3), 110, np.uint8)
    view[150:430, 250:650] = 230
    view[164:416, 264:636] = 70
    sides = sides_of_size(view, np.zeros(view.shape[:2], bool), (400.0, 280.0), tilt=0.1, sure=0.053)
    assert sides is not None
    assert np.abs(corners_of(sides) - (BOX + [250, 150])).max() < 2
