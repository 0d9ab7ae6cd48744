"""I check when a size that was named contradicts what the cards measure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flat_photos import fit_of, photo, scaled

from stitchbed.photos.geometry.output_frame import Facing
from stitchbed.photos.geometry.plane_pose import on_frame
from stitchbed.photos.geometry.print_size import print_size
from stitchbed.photos.plane.named_size import _better
from stitchbed.photos.plane.solution import Solution
from stitchbed.photos.sides.edge_points import Side
from stitchbed.photos.sides.edge_shape import EdgeShape
from stitchbed.photos.survey.card_paper import Papers
from stitchbed.photos.survey.plane_types import sides_sigma
from stitchbed.photos.survey.work_edges import SidesFound

WORK = np.array([[140.0, 120.0], [450.0, 120.0], [450.0, 380.0], [140.0, 380.0]])


@pytest.mark.parametrize(("shaded_px", "off_mm", "believed"), [(0.0, 2.0, False), (0.6, 2.0, True), (0.6, 5.0, False)])
def test_a_size_contradicts_sides_as_far_as_these_are_sure(shaded_px: float, off_mm: float, believed: bool) -> None:
    """A dark board with a shadow at its foot measures 2 mm too much, and its right size was refused."""
    scene = [photo(np.zeros((500, 600, 3), np.uint8))]
    places = np.linspace(WORK[0], WORK[3], 40)
    side = Side("left", places, 0.1, 1.0, shape=EdgeShape(1.0, 0.0, 0.0, True), shaded_px=shaded_px)
    fit = fit_of(scene, [scaled(1.0)])
    fit = replace(fit, params=on_frame(replace(fit, params=np.zeros_like(fit.params)), np.eye(3)).params)
    assert sides_sigma(fit, {0: {"left": side}}) == pytest.approx(np.hypot(0.11, shaded_px))
    assert sides_sigma(fit, {}) == 0
    found = SidesFound({0: {"left": side}}, None, Facing(0.0, 0.0, 0.0, 600.0, 500.0), Papers())
    solved = Solution(print_size((160.0, 160.0)), fit, found, WORK, (), (), lambda *_: fit)
    better = _better(scene, (310 - off_mm, 260 - 260 / 310 * off_mm), solved)
    assert (better is not None) == believed
