"""I check what the light across an edge tells of it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from stitchbed.imaging.transfer import srgb_decode, srgb_encode
from stitchbed.photos.sides.edge_shape import EdgeShape, edge_shape

AWAY = np.arange(-24, 25) / 2  # px


def across(width: float, *, valley: float = 0.0, light: tuple[float, float] = (0.8, 0.2)) -> EdgeShape:
    """Of an edge blurred by a sigma of `width` px, with a narrow dark line beyond it."""
    step = (1 + erf(AWAY / width / np.sqrt(2))) / 2
    seen = light[0] + (light[1] - light[0]) * step - valley * np.exp(-((AWAY - width) ** 2) / 2 / width**2)
    return edge_shape(np.tile(srgb_encode(seen)[None, :, None], (5, 1, 3)), srgb_decode)


@pytest.mark.parametrize("width", [0.8, 1.5, 3.0])
def test_the_width_is_that_of_the_blur(width: float) -> None:
    shape = across(width)
    assert 0.8 * width < shape.width < 1.05 * width  # its faint ends are left out
    assert shape.back < 0.01


def test_light_that_goes_back_beyond_is_counted() -> None:
    """A valley of .15 beyond a step of .6 turns a sixth of what falls back."""
    assert 0.05 < across(1.5, valley=0.15).back < 0.25
    assert across(1.5, valley=0.15, light=(0.8, 0.75)).back > 0.5


def test_stored_values_put_a_high_edge_elsewhere_than_light() -> None:
    assert across(1.5, light=(0.8, 0.02)).bend > 2 * across(1.5, light=(0.8, 0.4)).bend


def test_what_widens_an_edge_beside_a_sharp_one_makes_it_unsure() -> None:
    wide = EdgeShape(3.0, 0.0, 0.0)
    assert wide.sigma(1.0) > 2 * wide.sigma(3.0)
    assert EdgeShape(3.0, 0.0, 0.5).sigma(3.0) > wide.sigma(3.0) == pytest.approx(0.3, rel=0.8)
