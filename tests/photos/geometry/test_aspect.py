"""I check what a photo tells of a rectangle's shape: straight on all, and of an oblique one what its lens allows."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.photos.geometry.aspect import aspects_seen

SIZE = (3000, 4000)  # px


def seen(width: float, height: float, tilt_deg: tuple[float, float], focal: float) -> np.ndarray:
    """(4, 2) px of a rectangle round the middle, tilted about the photo's axes. focal : of the diagonal."""
    corners = np.array([[-width, -height, 0], [width, -height, 0], [width, height, 0], [-width, height, 0.0]]) / 2
    turn = cv2.Rodrigues(np.deg2rad([*tilt_deg, 0.0]))[0]
    x, y, z = (corners @ turn.T + [0, 0, 2.2 * max(width, height)]).T
    return focal * np.hypot(*SIZE) * np.stack([x / z, y / z], 1) + [1999.5, 1499.5]


@pytest.mark.parametrize("aspect", [0.5, 1.3])
def test_straight_on_it_is_as_it_looks(aspect: float) -> None:
    assert aspects_seen(seen(aspect, 1.0, (0, 0), 0.8), SIZE) == pytest.approx(aspect, rel=1e-5)


def test_two_tilts_tell_the_focal_length() -> None:
    found = aspects_seen(seen(1.3, 1.0, (30, 35), 0.8), SIZE)
    assert found.min() < 1.3 < found.max() and found.max() / found.min() < 1.15


def test_one_steep_tilt_leaves_more_than_one_shape() -> None:
    """Half as high as it is wide it looks, and may be higher than wide: its true shape is among those named."""
    found = aspects_seen(seen(0.8, 1.0, (62, 0), 0.8), SIZE)
    assert found.min() < 0.8 < 1 < found.max()
