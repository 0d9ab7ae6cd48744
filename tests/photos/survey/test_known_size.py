"""I check photos without a card: against the published homography of two photos of a wall."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from stitchbed.photos.geometry.plane_pose import photo_from_plane, plane_from_photo, through
from stitchbed.photos.survey.photo import opened
from stitchbed.photos.survey.plane import survey_plane
from stitchbed.photos.survey.plane_types import Asked

WALL = Path("/usr/share/doc/opencv-doc/examples/data")  # Debian package opencv-doc
PUBLISHED_PX = 1.0  # rms


@pytest.mark.skipif(not (WALL / "H1to3p.xml").exists(), reason="the package opencv-doc is not installed")
def test_two_photos_of_a_wall_fit_as_published() -> None:
    """graf1 and graf3 of Mikolajczyk et al. (2005), "A comparison of affine region detectors", with H1to3p."""
    numbers = re.search(r"<data>(.*?)</data>", (WALL / "H1to3p.xml").read_text(), re.S)
    assert numbers is not None
    published = np.array([float(word) for word in numbers[1].split()]).reshape(3, 3)
    with opened([WALL / "graf1.png", WALL / "graf3.png"]) as (photos, _):
        plane = survey_plane(photos, Asked(size_mm=(800.0, 640.0)))
    grid = np.stack(np.meshgrid(np.linspace(0, 799, 41), np.linspace(0, 639, 33)), -1).reshape(-1, 2)
    true = through(published, grid)
    seen = np.all((true >= 0) & (true <= [799, 639]), axis=1)
    found = photo_from_plane(plane.fit, 1, plane_from_photo(plane.fit, 0, grid[seen]))
    assert np.sqrt(np.mean(np.sum((found - true[seen]) ** 2, axis=1))) < PUBLISHED_PX
    assert any("first photo as a whole" in warning for warning in plane.warnings)
