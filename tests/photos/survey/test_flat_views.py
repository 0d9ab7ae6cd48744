"""I check flat views of photos straight on, where each sees the work, and how they become one picture."""

from __future__ import annotations

import numpy as np
from flat_photos import fit_of, photo, scaled
from scipy import ndimage

from stitchbed.photos.geometry.output_frame import Facing
from stitchbed.photos.survey.flat_views import RIM_PX, flat_of, seen_by, together

VIEW = Facing(0, 0, 0.0, 120.0, 80.0)


def smooth(seed: int = 1) -> np.ndarray:
    """(80, 120, 3) soft blots, mm by mm."""
    noise = np.random.default_rng(seed).normal(0, 1, (80, 120, 3))
    return np.rint(130 + 250 * ndimage.gaussian_filter(noise, (4, 4, 0))).clip(0, 255).astype(np.uint8)


def test_straight_on_at_its_own_density_a_photo_is_its_flat_view() -> None:
    picture = smooth()
    photos = [photo(picture)]
    fit = fit_of(photos, [scaled(1.0)])
    assert np.array_equal(flat_of(photos[0], fit, 0, VIEW, 1.0), picture)
    part = Facing(10, 20, 0.0, 30.0, 40.0)
    assert np.array_equal(flat_of(photos[0], fit, 0, part, 1.0), picture[20:60, 10:40])


def test_a_reduced_view_lies_where_the_photo_does() -> None:
    picture = smooth().repeat(4, axis=0).repeat(4, axis=1)
    photos = [photo(picture, reduction=4)]
    assert np.array_equal(flat_of(photos[0], fit_of(photos, [scaled(4.0)]), 0, VIEW, 1.0), smooth())


def test_where_a_photo_sees_is_its_rectangle() -> None:
    photos = [photo(np.zeros((100, 120, 3), np.uint8))]
    fit = fit_of(photos, [scaled(2.0, 20.0, 10.0)])  # 60 x 50 mm from (20, 10) on
    mask = seen_by(photos[0], fit, 0, VIEW, ((80, 120, 3), 1.0))
    want = np.zeros((80, 120), bool)
    want[10:60, 20:80] = True
    assert np.array_equal(mask, want)


def test_a_first_photo_that_sees_all_stands_alone() -> None:
    photos = [photo(smooth()), photo(smooth(2)[:40])]
    flat, unseen, count = together(photos, fit_of(photos, [scaled(1.0), scaled(1.0)]), VIEW, 1.0)
    assert count == 1 and not unseen.any()
    assert np.array_equal(flat, smooth())


def test_parts_become_one_picture_at_the_first_one_s_exposure() -> None:
    whole = (0.6 * smooth()).astype(np.uint8)
    darker = np.rint(0.7 * whole[:, 40:]).astype(np.uint8)
    photos = [photo(whole[:70, :80].copy()), photo(darker[:70])]
    flat, unseen, count = together(photos, fit_of(photos, [scaled(1.0), scaled(1.0, 40.0)]), VIEW, 1.0)
    assert count == 2
    assert np.abs(flat[5:65, 5:115].astype(int) - whole[5:65, 5:115]).max() <= 4  # rounding of the darker one
    assert unseen[70:].all() and not unseen[RIM_PX:50, RIM_PX:-RIM_PX].any()
    assert unseen[70 - RIM_PX // 2 : 70].all()
