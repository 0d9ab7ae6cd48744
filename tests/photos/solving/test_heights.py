"""I check that heights above the plane are seen where a general camera model sees them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.photos.geometry.lens import Lens
from stitchbed.photos.solving.heights import larger_by_height, lifts_of


@pytest.mark.parametrize("tilt", [0.25, 0.5])
def test_heights_are_seen_where_a_general_camera_model_sees_them(tilt: float) -> None:
    """Against `cv2.projectPoints`: a plane point and the point a millimeter nearer the camera, focal length unknown."""
    turn = cv2.Rodrigues(np.array([tilt, 0.4 * tilt, 0.1]))[0]
    camera = np.array([[2600.0, 0, 1210], [0, 2600, 880], [0, 0, 1]])
    far = np.array([20.0, -30, 700])
    flat = np.array([[-150, -100], [150, -100], [150, 100], [-150, 100], [0, 0.0]])
    seen = [
        cv2.projectPoints(np.column_stack([flat, np.full(5, z)]), cv2.Rodrigues(turn)[0], far, camera, None)[0][:, 0]
        for z in (0.0, -1.0)  # the camera looks along z
    ]
    view = camera @ np.column_stack([turn[:, 0], turn[:, 1], far])
    got = lifts_of(view / view[2, 2], Lens(1210, 880, 1500), flat)
    assert got == pytest.approx(seen[1] - seen[0], abs=0.08)
    back = cv2.perspectiveTransform(seen[1][None, :4], np.linalg.inv(view))[0]
    across = np.linalg.norm(back[:2] - back[2:], axis=1) / np.linalg.norm(flat[:2] - flat[2:4], axis=1)
    larger = larger_by_height(view / view[2, 2], Lens(1210, 880, 1500), flat[:4])
    assert across.min() > 1 and larger == pytest.approx(np.mean(across - 1), rel=0.02)
    mirror = np.diag([-1.0, 1, 1])  # the same places by coordinates that run the other way
    again = lifts_of(-view @ mirror, Lens(1210, 880, 1500), flat @ mirror[:2, :2])
    assert again == pytest.approx(got)
