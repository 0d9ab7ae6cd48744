"""I check that exactly the light lost in lifted cells that show is given back."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.imaging.sample import sample
from stitchbed.mosaic.compositing.lift_compensation import evened, shown_cells, square_cm
from stitchbed.mosaic.compositing.seams import NOBODY, SeamMap
from stitchbed.mosaic.photometry.gain_compensation import Level, leveled
from stitchbed.mosaic.photometry.lift import Lift, no_lift
from stitchbed.mosaic.registration.placement import Placement

SIZE, CELL = (400, 500), 10.0
LOSS = 0.2


def lift() -> Lift:
    """The right fifth of the tile is lifted and loses a fifth of its light."""
    mask = np.zeros((40, 50), bool)
    mask[:, 40:] = True
    return Lift("a", mask, CELL, LOSS, LOSS * mask)


def level() -> Level:
    """A level with a shading of its own, a plane in log light over a lattice of 100 px."""
    rows, cols = np.mgrid[:6, :7]
    return Level("a", np.full(3, 1.1), np.zeros(3), 0.02 * rows - 0.03 * cols, 100.0)


def shade(one: Level, x: float, y: float) -> float:
    """Log of the shading at a place px."""
    at = np.array([[x, y]]) + 0.5 * (one.spacing - 1)
    return float(sample(one.shading[..., None], at, one.spacing)[0, 0])


def test_lost_light_is_given_back_where_it_shows_and_nowhere_else() -> None:
    shown = lift().mask.copy()
    shown[:20] = False
    new = evened(level(), lift(), SIZE, shown)
    deep, flat, hidden = (455.0, 300.0), (100.0, 300.0), (455.0, 80.0)
    for x, y in (flat, hidden):
        assert shade(new, x, y) == pytest.approx(shade(level(), x, y), abs=1e-3)
    assert shade(new, *deep) - shade(level(), *deep) == pytest.approx(-np.log(1 - LOSS), abs=1e-3)
    light = np.array([[0.5 * (1 - LOSS)]])
    before = leveled(level(), np.array([[0.5]]), np.array([[shade(level(), *deep)]]))
    after = leveled(new, light, np.array([[shade(new, *deep)]]))
    assert after == pytest.approx(before, rel=2e-3)


def test_nothing_shown_changes_nothing() -> None:
    one = level()
    assert evened(one, lift(), SIZE, np.zeros((40, 50), bool)) is one


def seams(right: int) -> SeamMap:
    """A canvas of 500 x 400 px whose cells from column `right` px on are another tile's."""
    labels = np.zeros((40, 50), np.uint16)
    labels[:, right // 10 :] = 1
    return SeamMap(labels, 10)


def test_cells_count_as_shown_where_the_canvas_is_this_tile_s() -> None:
    place = Placement("a", SIZE, np.eye(3))
    shown = shown_cells(place, 0, lift(), seams(450))
    want = np.zeros((40, 50), bool)
    want[:, 40:45] = True
    off = shown != want
    assert shown[want].all() and not off[:, :45].any() and not off[:, 47:].any()  # two cells round it are shown too
    assert not shown_cells(place, 0, lift(), seams(400)).any()
    assert not shown_cells(place, 5, lift(), seams(450)).any()
    assert not shown_cells(place, 0, no_lift("a", SIZE), seams(500)).any()
    nobody = SeamMap(np.full((40, 50), NOBODY, np.uint16), 10)
    assert not shown_cells(place, 0, lift(), nobody).any()


def test_cells_follow_a_piece_that_lies_upside_down() -> None:
    turned = Placement("a", SIZE, np.array([[-1, 0, 499.0], [0, -1, 399.0], [0, 0, 1]]))
    shown = shown_cells(turned, 0, lift(), seams(50))  # the lifted side lies at the left of the canvas
    assert shown[:, 46:].all() and not shown[:, :42].any()


def test_the_area_is_that_of_the_cells() -> None:
    shown = np.zeros((40, 50), bool)
    shown[:10, :10] = True
    assert square_cm(shown, lift(), 10.0) == pytest.approx(100 * 0.1**2)  # cells of a millimeter
    assert square_cm(shown, lift(), 5.0) == pytest.approx(100 * 0.2**2)
