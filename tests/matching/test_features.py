"""I check points: where they are found, what they are described by, and that a half turn does not move them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import tolerances as tol
import truth

from stitchbed.imaging.gray import evened, gray_of
from stitchbed.imaging.reduce import reduction_for
from stitchbed.imaging.transforms import fit_affine, moved
from stitchbed.matching.features import FeatureSettings, Keypoints, detect
from stitchbed.matching.hypotheses import LinkSettings
from stitchbed.matching.similarity_links import Sight, proposals

SETTINGS = FeatureSettings()
SHAPE = (400, 500)


def _cut(*degrees: float, dtype: str = "uint8") -> list[truth.TrueTile]:
    """Looks at one place of a sheet under several turns."""
    sheet = truth.paint_sheet(760, 760, 11)
    poses = [truth.pose(380.3, 379.6, turn, shape=SHAPE) for turn in degrees]
    return truth.cut_tiles(sheet, poses, shape=SHAPE, dtype=dtype)


def _linked(one: truth.TrueTile, two: truth.TrueTile) -> tuple[np.ndarray, np.ndarray]:
    """Inlier points of two tiles."""
    found = [detect(name, tile.pixels, 1, SETTINGS) for name, tile in (("a", one), ("b", two))]
    sights = [Sight(evened(gray_of(tile.pixels), 12.0, 2.0), 1.0) for tile in (one, two)]
    got = proposals(found[0], found[1], (sights[0], sights[1]), 1.0, LinkSettings())[0]
    return got.xy_a, got.xy_b


@pytest.mark.parametrize("turn", [180.0, 90.0, 10.0, 37.0])
def test_a_turn_does_not_shift_points(turn: float) -> None:
    """The detector's quarter-pixel bias, with which two scans at 180 degrees mis-register by half a pixel.

    Reference: opencv/opencv issue 23123. Affine fit over all matched points, error at the shared part's corners.
    """
    one, two = _cut(0.0, turn)
    xy_a, xy_b = _linked(one, two)
    true = np.linalg.inv(two.sheet_from_tile) @ one.sheet_from_tile
    off = np.hypot(*(moved(true, xy_a) - xy_b).T)
    kept = off < 1.0  # a point found on another scale is no mis-registration
    assert kept.sum() > 300
    fitted = np.vstack([fit_affine(xy_a[kept], xy_b[kept]), [0, 0, 1]])
    corners = np.array([[100, 50], [400, 50], [400, 350], [100, 350]], float)
    assert np.abs(moved(fitted, corners) - moved(true, corners)).max() < tol.TURNED_VIEWS_PX
    assert np.abs(np.mean((moved(true, xy_a) - xy_b)[kept], axis=0)).max() < tol.TURNED_VIEWS_PX


def test_the_detector_without_care_would_fail_this() -> None:
    """The same measurement with the library's default falls by a quarter pixel a view: the test can fail."""
    one, two = _cut(0.0, 180.0)
    picture = [cv2.cvtColor(tile.pixels, cv2.COLOR_RGB2GRAY) for tile in (one, two)]
    sift = cv2.SIFT_create(nfeatures=1500)
    (pa, da), (pb, db) = (sift.detectAndCompute(view, None) for view in picture)
    pairs = cv2.BFMatcher(crossCheck=True).match(da, db)
    xy_a = np.array([pa[m.queryIdx].pt for m in pairs])
    xy_b = np.array([pb[m.trainIdx].pt for m in pairs])
    off = moved(np.linalg.inv(two.sheet_from_tile) @ one.sheet_from_tile, xy_a) - xy_b
    bias = np.abs(np.median(off[np.hypot(*off.T) < 1.5], axis=0))
    assert np.all((bias > 0.4) & (bias < 0.6))


def test_points_lie_in_the_tile_and_are_described_by_unit_vectors() -> None:
    (tile,) = _cut(0.0)
    found = detect("a", tile.pixels, 1, SETTINGS)
    assert found.tile == "a" and found.reduction == 1
    assert 500 < len(found.xy) <= SETTINGS.most
    assert (found.xy >= -0.5).all() and (found.xy < (SHAPE[1] - 0.5, SHAPE[0] - 0.5)).all()
    assert np.abs(np.linalg.norm(found.descriptors, axis=1) - 1).max() < 1e-5
    assert (found.descriptors >= 0).all() and found.descriptors.shape[1] == 128


def test_a_reduced_view_gives_full_resolution_points() -> None:
    """An area mean of 2 x 2 px has its center between pixels: forgetting that shifts points by half a pixel."""
    (tile,) = _cut(0.0)
    half = cv2.resize(tile.pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    fine, coarse = detect("a", tile.pixels, 1, SETTINGS), detect("a", half, 2, SETTINGS)
    distance = np.hypot(*(fine.xy[:, None] - coarse.xy[None]).transpose(2, 0, 1))
    close = distance.min(1) < 0.7
    assert close.sum() > 150
    off = fine.xy[close] - coarse.xy[distance.argmin(1)[close]]
    assert np.abs(np.median(off, axis=0)).max() < 0.06  # half a pixel is what it would be without care


def test_strong_points_are_spread_over_the_picture() -> None:
    """No corner of the picture may be starved by a busy one."""
    rng = np.random.default_rng(2)
    view = np.full((600, 600, 1), 200, np.uint8)
    view[:300, :300] = rng.integers(0, 255, (300, 300, 1))
    for x, y in rng.integers(330, 570, (60, 2)):
        cv2.circle(view[..., 0], (int(x), int(y)), 4, 120, -1)
    found = detect("a", view, 1, FeatureSettings(most=200))
    quiet = (found.xy > 310).all(1).sum()
    assert len(found.xy) <= 200 and quiet >= 20


@pytest.mark.parametrize("channels", [1, 3])
def test_blank_paper_has_no_points(channels: int) -> None:
    found = detect("blank", np.full((200, 300, channels), 231, np.uint8), 1, SETTINGS)
    assert isinstance(found, Keypoints) and found.xy.shape == (0, 2) and found.descriptors.shape == (0, 128)


def test_the_same_picture_gives_the_same_points() -> None:
    (tile,) = _cut(5.0)
    one, two = detect("a", tile.pixels, 1, SETTINGS), detect("a", tile.pixels, 1, SETTINGS)
    assert np.array_equal(one.xy, two.xy) and np.array_equal(one.descriptors, two.descriptors)


def test_gray_is_on_one_scale_for_both_depths() -> None:
    eight = np.random.default_rng(1).integers(0, 256, (20, 30, 3), dtype=np.uint8)
    deep = eight.astype(np.uint16) * 257
    assert np.abs(gray_of(eight) - gray_of(deep)).max() < 0.6  # 8-bit gray is rounded
    assert np.array_equal(gray_of(eight[..., :1]), eight[..., 0].astype(np.float32))


def test_evening_forgets_gain_and_offset_but_not_where_noise_ends() -> None:
    picture = gray_of(_cut(0.0)[0].pixels)
    even, dim = evened(picture, 25.0, 3.0), evened(0.7 * picture + 25, 25.0, 3.0)
    assert np.corrcoef(even.ravel(), dim.ravel())[0, 1] > 0.995
    faint = np.random.default_rng(1).normal(128, 0.5, (200, 200)).astype(np.float32)
    assert evened(faint, 25.0, 3.0).std() < 0.2


VIEWS = [((400, 500), 1400, 1), ((7020, 40), 1400, 5), ((9, 2800), 1400, 2)]


@pytest.mark.parametrize(("shape", "side", "reduction"), VIEWS)
def test_views_are_reduced_by_whole_numbers(shape: tuple[int, int], side: int, reduction: int) -> None:
    assert reduction_for(shape, side) == reduction
