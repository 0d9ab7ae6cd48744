"""I check photos without a card: against the published homography of two photos of a wall, and a painted work."""

from __future__ import annotations

import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from flat_photos import photo

from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.photos.geometry.plane_pose import photo_from_plane, plane_from_photo, through
from stitchbed.photos.survey.known_size import TRUST, survey_by_size
from stitchbed.photos.survey.photo import Photo, opened
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


# --- a work of known size, painted in perspective

CORNERS = np.array([[60.0, 50], [330, 70], [350, 250], [40, 240]])  # px
SIZE_MM = (270.0, 190.0)


def painted(*, seen: bool = True) -> list[Photo]:
    """A light quadrilateral on a dark table, or a table alone."""
    picture = np.full((300, 400, 3), 70, np.uint8)
    if seen:
        cv2.fillPoly(picture, [np.rint(CORNERS * 256).astype(np.int32)], (215, 210, 200), cv2.LINE_AA, 8)
    noise = np.random.default_rng(1).normal(0, 1.5, picture.shape)
    return [photo(np.clip(picture + noise, 0, 255).astype(np.uint8))]


@pytest.mark.parametrize("asked", [Asked(), Asked(corners=CORNERS)])
def test_the_work_s_corners_are_its_size_apart(asked: Asked) -> None:
    found = survey_by_size(painted(), asked, SIZE_MM)
    assert found.own_edges and TRUST in found.warnings
    rectangle = np.array([[0, 0], [SIZE_MM[0], 0], SIZE_MM, [0, SIZE_MM[1]]])
    assert np.abs(plane_from_photo(found.fit, 0, CORNERS) - rectangle).max() < 1.0  # about a pixel
    inside = np.array([[200.0, 150.0], [90.0, 200.0]])
    # through four corners goes one homography (OpenCV): the lens and the sides may move it little
    known = cv2.getPerspectiveTransform(CORNERS.astype(np.float32), rectangle.astype(np.float32))
    assert np.abs(plane_from_photo(found.fit, 0, inside) - through(known, inside)).max() < 1.5


def test_width_and_height_the_other_way_round_are_refused() -> None:
    with pytest.raises(BadSettings, match=r"--size 190x270mm for a work that lies the other way"):
        survey_by_size(painted(), Asked(corners=CORNERS), (190.0, 270.0))
    survey_by_size(painted(), Asked(corners=CORNERS), (200.0, 210.0))  # nearly square: which way is no mistake


def test_a_photo_without_sides_or_corners_is_refused() -> None:
    with pytest.raises(CardNotFound, match="four sides do not stand out"):
        survey_by_size(painted(seen=False), Asked(), SIZE_MM)
