"""I check which photo shows which place: far from edges, bordered where they agree, not where it shines."""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.photos.compositing.seams import mosaic_shares

DENSITY = 2.0
SHAPE = (200, 400)


def flats(rng: np.random.Generator) -> tuple[list[np.ndarray], list[np.ndarray], list[np.ndarray]]:
    """Two photos of one work that overlap in the middle 160 px."""
    small = rng.uniform(0.2, 0.5, (10, 20, 3)).astype(np.float32)
    work = np.asarray(cv2.resize(small, SHAPE[::-1], interpolation=cv2.INTER_CUBIC)).clip(0.1, 0.6)
    seen = [np.zeros(SHAPE, bool), np.zeros(SHAPE, bool)]
    seen[0][:, :280], seen[1][:, 120:] = True, True
    views = [np.where(mask[..., None], work, 0.9).astype(np.float32) for mask in seen]
    return views, [np.zeros(SHAPE, bool)] * 2, seen


def test_shares_add_up_and_keep_to_what_is_seen() -> None:
    views, clipped, seen = flats(np.random.default_rng(1))
    shares, left = mosaic_shares(views, clipped, seen, DENSITY)
    assert np.abs(shares.weights.sum(0) - 1).max() < 1e-5 and not left.any()
    assert shares.weights[0][:, 276:].max() < 0.01 and shares.weights[1][:, :124].max() < 0.01
    assert 170 < np.argmax(shares.weights[1][100] > 0.5) < 230  # the middle of the overlap is 200


def test_a_border_goes_round_what_differs() -> None:
    """A patch that the photos show differently, by 8 %, lies across the middle; one photo shows all of it."""
    views, clipped, seen = flats(np.random.default_rng(2))
    views[1][60:140, 186:230] *= 1.08
    shares, _ = mosaic_shares(views, clipped, seen, DENSITY)
    inside = shares.weights[1][70:130, 196:220]
    assert inside.min() > 0.9 or inside.max() < 0.1


def test_shine_is_left_to_the_other_photo() -> None:
    views, clipped, seen = flats(np.random.default_rng(3))
    cv2.circle(views[1], (240, 100), 14, (0.95, 0.95, 0.95), -1)
    shares, left = mosaic_shares(views, clipped, seen, DENSITY)
    assert shares.weights[1][100, 240] < 0.01 and shares.weights[1][100, 300] > 0.99
    assert not left.any()


def test_shine_that_only_one_photo_sees_is_said() -> None:
    views, clipped, seen = flats(np.random.default_rng(4))
    clipped = [mask.copy() for mask in clipped]
    clipped[1][80:120, 330:360] = True
    shares, left = mosaic_shares(views, clipped, seen, DENSITY)
    assert left[100, 345] and shares.weights[1][100, 345] > 0.99
    assert not left[:, :300].any()


def test_what_a_photo_does_not_see_makes_no_shine_beside_it() -> None:
    """Black beyond a photo's edge once darkened its rim, so that the neighbor seemed to shine all along it."""
    views, clipped, seen = flats(np.random.default_rng(5))
    black = [np.where(mask[..., None], view, np.float32(0)) for view, mask in zip(views, seen, strict=True)]
    for density in (0.8, DENSITY):
        shares, left = mosaic_shares(black, clipped, seen, density)
        assert not left.any()
        assert np.abs(shares.weights.sum(0) - 1).max() < 1e-5
