"""I check that photos from different places are matched, and that what does not belong together is not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitchbed.imaging.transforms import moved
from stitchbed.matching.features import FeatureSettings, Keypoints, detect
from stitchbed.matching.homography_links import PhotoLink, PhotoLinkSettings, link_photos
from stitchbed.matching.similarity_links import NoLink

SIZE = (900, 700)  # width, height
TRUE = np.array([[0.93, -0.08, -180.0], [0.06, 0.97, 35.0], [-9e-5, 4e-5, 1.0]])  # b from a: a tilt of some ten degrees


def painting(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    small = rng.uniform(60, 200, (10, 14, 3)).astype(np.float32)
    picture = cv2.resize(small, SIZE, interpolation=cv2.INTER_CUBIC)
    for _ in range(500):
        a = rng.uniform([0, 0], SIZE)
        b = a + rng.uniform(-40, 40, 2)
        tone = tuple(float(v) for v in rng.uniform(20, 240, 3))
        cv2.line(picture, a.astype(int).tolist(), b.astype(int).tolist(), tone, 3, cv2.LINE_AA)
    return np.clip(cv2.GaussianBlur(picture, (0, 0), 1), 0, 255).astype(np.uint8)


def points(picture: np.ndarray, name: str) -> Keypoints:
    return detect(name, picture, 1, FeatureSettings())


def test_a_tilted_photo_is_matched() -> None:
    one = painting(1)
    two = cv2.warpPerspective(one, TRUE, SIZE)
    link = link_photos((points(one, "a"), points(two, "b")), (3, 5), PhotoLinkSettings())
    assert isinstance(link, PhotoLink) and (link.a, link.b) == (3, 5)
    assert 60 < len(link.xy_a) <= PhotoLinkSettings().most
    away = np.hypot(*(moved(TRUE, link.xy_a) - link.xy_b).T)
    assert np.median(away) < 0.3 and np.ptp(link.xy_a, axis=0).min() > 300  # px; spread over the overlap


def test_the_same_photos_give_the_same_link() -> None:
    one = painting(2)
    pair = (points(one, "a"), points(cv2.warpPerspective(one, TRUE, SIZE), "b"))
    links = [link_photos(pair, (0, 1), PhotoLinkSettings()) for _ in range(2)]
    assert isinstance(links[0], PhotoLink) and isinstance(links[1], PhotoLink)
    assert np.array_equal(links[0].xy_a, links[1].xy_a)


@pytest.mark.parametrize("other", ["another", "blank", "mirrored"])
def test_what_does_not_belong_together(other: str) -> None:
    one = painting(3)
    two = {"another": painting(4), "blank": np.full_like(one, 120), "mirrored": np.ascontiguousarray(one[:, ::-1])}[
        other
    ]
    link = link_photos((points(one, "a"), points(two, "b")), (0, 1), PhotoLinkSettings())
    assert isinstance(link, NoLink) and link.reason
