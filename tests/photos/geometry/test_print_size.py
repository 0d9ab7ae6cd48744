"""I check what is believed of a print: by its check lines, by the work's size, and where the two contradict."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.core.errors import BadSettings
from stitchbed.photos.geometry.lens import Lens
from stitchbed.photos.geometry.print_size import (
    MEASURED_MM,
    RULER_MM,
    SIZE_SIGMA_MM,
    PrintSize,
    off_alike,
    off_size,
    print_size,
    print_size_below,
    print_size_by,
    size_sigma_mm,
)
from stitchbed.photos.solving.heights import height_sigma, larger_by_height

A3 = (420.0, 297.0)


def test_a_print_not_measured_may_be_off_by_five_percent() -> None:
    assert 1.96 * print_size(None).scale == pytest.approx(0.05, abs=0.005)


def test_check_lines_tell_the_print_to_a_tenth_of_a_millimeter() -> None:
    size = print_size((159.2, 160.8))
    assert (size.across, size.down) == pytest.approx((0.995, 1.005))
    assert print_size((159.2, None)).scale * 160 == pytest.approx(0.1414, abs=0.0001)  # by reading, and by the ruler
    with pytest.raises(BadSettings):
        print_size((6.3, None))


def test_two_check_lines_tell_the_print_as_surely_as_two_readings_of_one_ruler_do() -> None:
    rng = np.random.default_rng(5)
    read = 160 + MEASURED_MM * rng.standard_normal((4000, 2)) + RULER_MM * rng.standard_normal((4000, 1))
    size = print_size((160.0, 160.0))
    assert size.scale * 160 == pytest.approx(read.mean(axis=1).std(), rel=0.05)
    assert size.stretch * 160 == pytest.approx((read[:, 0] - read[:, 1]).std() / 2, rel=0.05)


@pytest.mark.parametrize("shrunk", [0.94, 0.97, 1.0])
def test_the_size_of_the_work_tells_a_print_fitted_to_the_page(shrunk: float) -> None:
    """Cards printed too small but taken at their word make the work too large."""
    size = print_size_by(A3, (A3[0] / shrunk, A3[1] / shrunk), 0.5, PrintSize())
    assert size is not None
    assert size.across == size.down == pytest.approx(shrunk, abs=0.0006)
    assert size.scale < 0.002


@pytest.mark.parametrize(
    ("measured", "believed"),
    [
        ((405.0, 267.0), PrintSize()),  # the picture in its margin: another shape
        ((297.0, 420.0), PrintSize()),  # the other way round
        ((430.0, 304.1), print_size((160.0, 160.0))),  # a measured print that would have to be 2 % off
        ((500.0, 353.6), PrintSize()),  # smaller than any page makes it
    ],
)
def test_a_size_that_contradicts_the_cards_is_told(measured: tuple[float, float], believed: PrintSize) -> None:
    assert print_size_by(A3, measured, 0.5, believed) is None


def test_a_side_read_wrong_widens_what_is_said_of_the_print() -> None:
    """A width read 3 mm too long beside a print nobody measured: the error must lie within twice the sigma told."""
    well, ill = (print_size_by(size, A3, 0.3, PrintSize()) for size in (A3, (A3[0] + 3, A3[1])))
    assert well is not None and ill is not None
    assert well.scale < 0.0015 and ill.scale > 1.5 * well.scale
    assert abs(ill.across - 1) < 2 * ill.scale
    assert size_sigma_mm(A3, A3, 0.3, PrintSize()) == SIZE_SIGMA_MM
    assert size_sigma_mm((A3[0] + 3, A3[1]), A3, 0.3, PrintSize()) > 1.5 * SIZE_SIGMA_MM


def test_sides_are_off_a_size_on_average_and_against_each_other() -> None:
    wide = np.array([[0, 0], [422, 0], [421, 297], [1, 297]], dtype=float)
    width, height, across, down = off_size(wide, A3) * SIZE_SIGMA_MM
    assert (width, height) == pytest.approx((1, 0), abs=0.01)
    assert across == pytest.approx(2 / np.sqrt(2)) and down == pytest.approx(0)
    assert off_alike(wide, 0.5) == pytest.approx([np.sqrt(2) * 2, 0])


def test_a_measured_print_and_a_size_are_weighed() -> None:
    believed = print_size((160.0, 160.0))
    size = print_size_by(A3, (420.5, 297.4), 0.3, believed)
    assert size is not None and 0.999 < size.across < 1.0 and size.scale < believed.scale


@pytest.mark.parametrize(("tilt", "focal", "height"), [(0.3, 2600, 40.0), (0.55, 2100, 15.0), (0.02, 3300, 25.0)])
def test_a_raised_work_gets_its_size_back(tilt: float, focal: float, height: float) -> None:
    """Against `cv2.projectPoints`: corners above the cards' plane, measured by the cards, focal length unknown."""
    turn = cv2.Rodrigues(np.array([tilt, 0.1, 0.2]))[0]
    camera = np.array([[focal, 0, 1200], [0, focal, 900], [0, 0, 1.0]])
    far = np.array([10.0, -20, 800])
    up = -np.sign((turn @ [0, 0, 1.0]) @ far)  # toward the camera
    face = np.array([[-150, -100, up * height], [150, -100, up * height], [150, 100, up * height]])
    seen = cv2.projectPoints(face, cv2.Rodrigues(turn)[0], far, camera, None)[0][:, 0]
    view = camera @ np.column_stack([turn[:, 0], turn[:, 1], far])
    flat = cv2.perspectiveTransform(seen[None], np.linalg.inv(view))[0]
    measured = np.linalg.norm(flat[1] - flat[0])
    corners = np.array([[-150, -100], [150, -100], [150, 100], [-150, 100.0]])
    view, lens = view / view[2, 2], Lens(1200, 900, 1500)
    believed = print_size((160.0, 160.0))
    size = print_size_below(height, larger_by_height(view, lens, corners), height_sigma(view, lens), believed)
    assert measured > 305
    assert measured * size.across == pytest.approx(300, abs=1.96 * 300 * size.scale)
    assert size.scale < (0.006 if tilt > 0.1 else 0.02)  # seen straight on, nothing tells the focal length
