"""I check that a dark work's side is taken out of the shadow at its foot, and that sharp sides stay."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from stitchbed.imaging.transfer import srgb_decode, srgb_encode
from stitchbed.photos.sides.edge_points import Side, measure_side
from stitchbed.photos.sides.edge_shape import EdgeShape
from stitchbed.photos.sides.foot_shadow import out_of_foot_shadow

EDGE, BLUR = 40.3, 0.8  # px: where the work ends, sigma of the photo
WITHIN = np.array([0.0, 100.0])
MEASURED_BLUR = BLUR / 0.85  # of a card's squares, smoothed by how they are measured


def seen(*, fades: float, work: float = 0.04, table: float = 0.4, name: str = "right") -> Side:
    """A side whose shadow takes three fifths of the light at its foot and fades over some px."""
    fine = np.arange(0, 80, 0.05)
    light = np.where(fine < EDGE, work, table * (1 - 0.6 * np.exp(-np.maximum(fine - EDGE, 0) / fades)))
    stored = srgb_encode(gaussian_filter1d(light, BLUR / 0.05))

    def read(xy: np.ndarray) -> np.ndarray:
        return np.asarray(np.interp(xy[..., 0], fine, stored))[..., None]

    ends = np.array([[41.0, 0.0], [41.0, 200.0]])
    if name == "left":  # the same seen in a mirror
        side = measure_side(name, ends * [-1, 1], lambda xy: xy * [-1, 1], read, reach=12.0, light_of=srgb_decode)
    else:
        side = measure_side(name, ends, lambda xy: xy, read, reach=12.0, light_of=srgb_decode)
    assert side is not None
    return side


@pytest.mark.parametrize("name", ["left", "right"])
@pytest.mark.parametrize("fades", [2.0, 4.0])
def test_a_dark_side_lies_within_its_shadow(name: str, fades: float) -> None:
    before = seen(fades=fades, name=name)
    after = out_of_foot_shadow(before, MEASURED_BLUR, WITHIN)
    off = [float(np.median(side.photo_xy[:, 0]) - EDGE) for side in (before, after)]
    assert off[0] > 0.6 > 0.45 > abs(off[1]) and abs(off[1]) < 2 * after.shaded_px


def test_sides_in_light_and_light_ones_stay_where_they_are() -> None:
    plain, light = seen(fades=1e-3), seen(fades=3.0, work=0.8)
    assert plain.shape is not None and plain.shape.lighter and light.shape is not None and not light.shape.lighter
    for side in (plain, light):
        after = out_of_foot_shadow(side, MEASURED_BLUR, WITHIN)
        assert np.abs(after.photo_xy - side.photo_xy).max() < 0.15 and after.shaded_px < 0.06


def test_a_side_of_two_flanks_or_without_a_look_stays() -> None:
    wide = Side("left", np.array([[0.0, 0], [0, 9]]), 0.1, 1.0, shape=EdgeShape(3.0, 0.0, 0.0, True))
    either = Side(**{**vars(wide), "other_xy": wide.photo_xy + 1})
    unseen = Side(**{**vars(wide), "shape": None})
    assert [out_of_foot_shadow(side, 1.0, WITHIN) is side for side in (wide, either, unseen)] == [False, True, True]
