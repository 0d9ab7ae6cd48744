"""I check which of two edges beside each other counts as the work's side: where a shadow begins, or where it ends."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.imaging.sample import look_up
from stitchbed.photos.sides.edge_points import Side, measure_side
from stitchbed.photos.sides.lines import SIDES

TRUE = np.array([[59.5, 49.5], [340.5, 49.5], [340.5, 250.5], [59.5, 250.5]])
ENDS = {"top": (0, 1), "right": (1, 2), "bottom": (3, 2), "left": (0, 3)}


def seen(work: float, table: float, *, shade: float = 0.0, wide: float = 2.5, line: float = 0.0) -> np.ndarray:
    """(300, 400, 3) stored values: a work whose shadow fades over `wide` px, or with a black line along its sides."""
    y, x = np.mgrid[:300, :400].astype(np.float64)
    beyond = np.maximum.reduce([60 - x, x - 340, 50 - y, y - 250])
    light = np.where(beyond > 0, table * (1 - shade * np.exp(-np.maximum(beyond, 0) / wide)), work)
    light = np.where((beyond <= 0) & (beyond > -line), 0.05, light)
    view = cv2.GaussianBlur(light, (0, 0), 1.1)[..., None]
    return view + np.random.default_rng(3).normal(0, 0.004, (300, 400, 3))


def measured(view: np.ndarray, name: str) -> tuple[Side, float]:
    """A side and how far it lies beyond the true one, px."""
    a, b = TRUE[list(ENDS[name])]
    side = measure_side(
        name, np.stack([a, b]) + 0.6, lambda xy: xy, lambda xy: look_up(view.astype(np.float32), xy), reach=8.0
    )
    assert side is not None
    return side, beyond_true(name, side.photo_xy)


def beyond_true(name: str, xy: np.ndarray) -> float:
    axis = 0 if name in ("left", "right") else 1
    out = 1 if name in ("bottom", "right") else -1
    return float(out * np.median(xy[:, axis] - TRUE[ENDS[name][0], axis]))


@pytest.mark.parametrize("name", SIDES)
def test_white_paper_on_a_whiter_table_ends_where_its_shadow_begins(name: str) -> None:
    """The far end of the shadow is the steeper edge, 3 px beyond the sheet's."""
    side, beyond = measured(seen(0.78, 0.85, shade=0.3), name)
    assert abs(beyond) < 1.5
    assert side.other_xy is not None
    assert beyond + 1.5 < beyond_true(name, side.other_xy) < 6


@pytest.mark.parametrize("name", SIDES)
def test_a_faint_shadow_is_found_too(name: str) -> None:
    """Three levels of 255 darker than the sheet."""
    side, beyond = measured(seen(0.78, 0.81, shade=0.12), name)
    assert abs(beyond) < 1.5 and side.other_xy is not None


@pytest.mark.parametrize(("table", "shade"), [(0.2, 0.0), (0.2, 0.4), (0.5, 0.3), (0.6, 0.0)])
def test_a_darker_table_leaves_one_edge(table: float, shade: float) -> None:
    side, beyond = measured(seen(0.85, table, shade=shade), "top")
    assert side.other_xy is None and abs(beyond) < 0.5


def test_a_black_line_along_the_sides_is_not_cut_off() -> None:
    side, beyond = measured(seen(0.7, 0.85, line=4.0), "left")
    assert abs(beyond) < 0.5
    assert side.other_xy is not None and beyond_true("left", side.other_xy) < -2


def test_the_edge_of_a_shadow_that_crosses_a_side_is_no_flank_of_a_line_along_it() -> None:
    """Where it lies within the work at one end and beyond it at the other, the side leaned by 11 px."""
    view = seen(0.7, 0.97)
    y, x = np.mgrid[:300, :400].astype(np.float64)
    view[340.5 - x < 6 - 12 * (y - 50) / 200] *= 0.78
    side, beyond = measured(cv2.GaussianBlur(view, (0, 0), 0.7), "right")
    assert abs(beyond) < 0.5 and side.other_xy is None
    assert np.ptp(side.photo_xy[:, 0]) < 2.5
