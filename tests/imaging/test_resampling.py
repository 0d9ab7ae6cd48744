"""I check the one resampling of the main job against OpenCV's and against closed forms."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stitchbed.imaging.box import Box
from stitchbed.imaging.node_grid import dense, nodes
from stitchbed.imaging.resampling import STEPS, cubic_weights, resampled, softness
from stitchbed.imaging.transfer import to_linear, tone_table, transfer_of

SIZE = (48, 64)
BOX = Box(0, 0, *SIZE)
CURVE = transfer_of(None)


def picture(dtype: str, channels: int) -> NDArray:
    top = np.iinfo(dtype).max
    return np.random.default_rng(3).integers(0, top, (60, 80, channels), dtype, endpoint=True)


def moved_by(x: float, y: float) -> NDArray[np.float32]:
    return (nodes(BOX) + (x, y)).astype(np.float32)


def looked(pixels: NDArray, at: NDArray[np.float32]) -> NDArray[np.float32]:
    return resampled(pixels, tone_table(pixels, CURVE), at, np.ones(at.shape[:2], np.float32), SIZE)


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("channels", [1, 3])
def test_whole_pixels_are_the_pixels(dtype: str, channels: int) -> None:
    pixels = picture(dtype, channels)
    expected = to_linear(pixels, CURVE)[5 : 5 + SIZE[0], 7 : 7 + SIZE[1]]
    assert np.array_equal(looked(pixels, moved_by(7, 5)), expected)


@pytest.mark.parametrize("shift", [(0.5, 0.5), (-3.5, 4.5), (40.5, 30.5), (3.0, 9.5), (-400.5, 10.5), (9.5, 3000.5)])
def test_halves_agree_with_opencv_also_past_the_rim(shift: tuple[float, float]) -> None:
    """At halves of pixels no correction applies, and OpenCV's table of 1/32 px is exact: INTER_CUBIC is an outside
    opinion."""
    pixels = picture("uint8", 3)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(np.float32)
    at = x + np.float32(shift[0]), y + np.float32(shift[1])
    expected = cv2.remap(to_linear(pixels, CURVE), *at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    assert np.abs(looked(pixels, moved_by(*shift)) - expected).max() < 2e-6


def test_weights_add_up_and_mirror() -> None:
    part = np.arange(STEPS + 1) / STEPS
    weights = cubic_weights(part)
    assert np.abs(weights.sum(1) - 1).max() < 1e-12
    assert np.abs(weights - weights[::-1, ::-1]).max() < 1e-12


def test_a_ramp_stays_in_place() -> None:
    """Keys (1981): only a = -.5 keeps a ramp exactly. Ours keeps it to a quarter of what -.75 alone would shift it."""
    part = np.arange(STEPS + 1) / STEPS
    assert np.abs(cubic_weights(part) @ np.arange(-1, 3) - part).max() < 0.0125


def test_positions_and_factors_are_bilinear_between_nodes() -> None:
    """The nodes' values spread by OpenCV's bilinear enlargement are an outside opinion on where we look."""
    rng = np.random.default_rng(5)
    at = moved_by(8, 6) + rng.uniform(-1.5, 1.5, moved_by(0, 0).shape).astype(np.float32)
    factor = rng.uniform(0.5, 1.5, at.shape[:2]).astype(np.float32)
    ramp = np.repeat((np.arange(80) * 3).astype(np.uint8)[None, :, None], 60, axis=0)
    straight = np.arange(256, dtype=np.float32)[None] / 3  # light of a pixel is its column
    found = resampled(ramp, straight, at, factor, SIZE)[..., 0]
    assert np.abs(found / dense(factor, BOX) - dense(at, BOX)[..., 0]).max() < 0.013


def test_each_channel_has_its_own_table() -> None:
    pixels = picture("uint8", 3)
    table = np.stack([np.full(256, value, np.float32) for value in (0.2, 0.4, 0.6)])
    found = resampled(pixels, table, moved_by(2.3, 1.7), np.full(moved_by(0, 0).shape[:2], 2, np.float32), SIZE)
    assert np.allclose(found, (0.4, 0.8, 1.2), atol=1e-6)


def test_a_finer_picture_is_softened_as_a_coarser_look_would_be() -> None:
    """A Gaussian spot of sigma s at three times the dpi, reduced: sigma of s, the softness and the kernel, by moments.

    Sampling the reduced spot is harmless where its spectrum has died away, so its second moment tells its sigma
    (variances add under convolution); a checkerboard finer than the canvas can show comes out even.
    """
    finer, own = 3.0, 1.5
    soft = softness(finer)
    y, x = np.mgrid[:180, :240]
    spot = np.exp(-((x - 120.3) ** 2 + (y - 90.7) ** 2) / (2 * own**2))
    table = (np.arange(65536, dtype=np.float32) / 65535)[None]
    codes = np.rint(spot * 65535).astype(np.uint16)[..., None]
    at = (finer * nodes(BOX)).astype(np.float32)
    even = np.ones(at.shape[:2], np.float32)
    seen = resampled(codes, table, at, even, SIZE, soft=soft)[..., 0].astype(float)
    column, row = np.arange(SIZE[1]), np.arange(SIZE[0])
    across, down = seen.sum(0) / seen.sum(), seen.sum(1) / seen.sum()
    middle = float(across @ column), float(down @ row)
    assert middle == pytest.approx((120.3 / finer, 90.7 / finer), abs=0.01)
    spread = np.sqrt(across @ (column - middle[0]) ** 2)
    assert spread == pytest.approx(np.hypot(own, soft) / finer, rel=0.03)
    checks = (((x // 2 + y // 2) % 2) * 40000 + 10000).astype(np.uint16)[..., None]
    flat = resampled(checks, table, at, even, SIZE, soft=soft)[4:-4, 4:-4]
    bare = resampled(checks, table, at, even, SIZE)[4:-4, 4:-4]
    assert flat.std() < 0.02 < 0.2 < bare.std()


def test_a_picture_of_the_canvas_s_dpi_is_not_softened() -> None:
    assert softness(1.0) == softness(1.04) == softness(0.5) == 0.0
    assert softness(2.0) == pytest.approx(0.866, abs=0.001)
