"""I check the painter and cutter of the test sheets against closed forms, so that a test may lean on them.

In: tests/scenes/truth.py. Out: pass or fail.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
import truth

from stitchbed.imaging import transfer as light

CURVE = light.transfer_of(None)
# Half a code of 16 bits in linear light is below 1.8e-5 (slope of the sRGB curve at white 2.27, over 2 * 65535);
# the spline's float32 arithmetic adds about 1e-6 (measured): 3e-5 in all.
EXACT = 3e-5


def _linear(tile: truth.TrueTile) -> np.ndarray:
    return light.to_linear(tile.pixels, CURVE)


def _waves(height: int, width: int, *, of: str) -> np.ndarray:
    """Sheet of a sine along `of` ("x" or "y") with a period of 24 px, light 0.5 +- 0.3."""
    y, x = np.mgrid[:height, :width]
    value = 0.5 + 0.3 * np.sin(2 * np.pi * (x if of == "x" else y) / 24)
    return np.repeat(value[..., None], 3, 2).astype(np.float32)


def test_painting_repeats_and_differs() -> None:
    first, again, other = (truth.paint_sheet(200, 300, number) for number in (4, 4, 5))
    assert first.dtype == np.float32 and first.shape == (200, 300, 3)
    assert first.min() >= 0 and first.max() <= 1
    assert np.array_equal(first, again)
    assert np.mean(np.abs(first - other)) > 0.02


@pytest.mark.parametrize("number", range(5))
def test_ink_is_everywhere(number: int) -> None:
    sheet = truth.paint_sheet(600, 720, number)
    # 120 px is a quarter of the usual tile's width, about its overlap: every such square must hold ink to match by.
    cells = sheet[..., 1].reshape(5, 120, 6, 120).min(axis=(1, 3))
    assert cells.max() < 0.3


def test_blank_band_holds_paper_only() -> None:
    sheet = truth.paint_sheet(300, 400, 2, blank=(0.25, 0.75))
    band = sheet[:, 100:300]
    # the tooth is 1.2 % deep: five of its deviations
    assert np.abs(band / np.float32(truth.PAPER) - 1).max() < 0.06
    assert 0.011 < np.std(band[..., 1] / truth.PAPER[1]) < 0.013
    assert sheet[:, :100, 1].min() < 0.2 and sheet[:, 300:, 1].min() < 0.2


def test_identity_returns_the_sheet() -> None:
    sheet = truth.paint_sheet(120, 150, 1)
    (tile,) = truth.cut_tiles(sheet, [np.eye(3)], shape=(120, 150), dtype="uint16")
    assert np.abs(_linear(tile) - sheet).max() < EXACT
    assert tile.covered.all() and not tile.lifted.any() and not tile.dust.any()
    assert np.array_equal(tile.gain, [1, 1, 1]) and np.all(tile.shading == 1)


@pytest.mark.parametrize(("degrees", "quarters"), [(90, 1), (180, 2), (270, 3), (-90, 3)])
def test_quarter_turns_equal_rot90(degrees: int, quarters: int) -> None:
    sheet = truth.paint_sheet(120, 150, 1)
    turned = np.rot90(sheet, quarters)
    shape = (turned.shape[0], turned.shape[1])
    matrix = truth.pose(74.5, 59.5, degrees, shape=shape)
    (tile,) = truth.cut_tiles(sheet, [matrix], shape=shape, dtype="uint16")
    assert np.abs(_linear(tile) - turned).max() < EXACT


def test_pose_puts_the_middle_and_the_scale_where_asked() -> None:
    matrix = truth.pose(300, 200, 30, shape=(41, 61), scale=1.5)
    assert matrix @ [30, 20, 1] == pytest.approx([300, 200, 1])
    ahead = matrix @ [31, 20, 1] - matrix @ [30, 20, 1]
    assert ahead[:2] == pytest.approx(1.5 * np.array([np.cos(np.pi / 6), 0.5]))


@pytest.mark.parametrize("degrees", [0.0, 1.3, 37.0])
def test_resampling_follows_a_sine(degrees: float) -> None:
    sheet = _waves(300, 300, of="x")
    matrix = truth.pose(150.37, 149.71, degrees, shape=(100, 120))
    (tile,) = truth.cut_tiles(sheet, [matrix], shape=(100, 120), dtype="uint16")
    y, x = np.mgrid[:100, :120]
    expected = 0.5 + 0.3 * np.sin(2 * np.pi * (matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / 24)
    # cubic B-spline on 24 px waves: error about amplitude * (pi/24)^4 = 9e-5 (order 4 approximation)
    assert np.abs(_linear(tile)[..., 1] - expected).max() < 1.5e-4


def test_beyond_the_sheet_lies_the_lid() -> None:
    sheet = np.full((80, 80, 3), 0.3, np.float32)
    (tile,) = truth.cut_tiles(sheet, [truth.pose(0, 39.5, 0, shape=(60, 81))], shape=(60, 81), dtype="uint16")
    got = _linear(tile)
    assert np.abs(got[:, :40] - truth.LID).max() < EXACT  # sheet x = -40..-1
    assert np.abs(got[:, 40:] - 0.3).max() < EXACT  # sheet x = 0..40
    assert np.array_equal(tile.covered, np.tile(np.arange(81) >= 40, (60, 1)))


def test_gain_shading_and_noise_are_what_they_say() -> None:
    sheet = np.full((500, 600, 3), 0.4, np.float32)
    poses = [truth.pose(x, 250, 0, shape=(300, 280)) for x in (200, 400)]
    faults = truth.Faults(gain=0.05, tint=0.02, falloff=0.06, noise=0.01)
    first, second = truth.cut_tiles(sheet, poses, shape=(300, 280), faults=faults, seed=3, dtype="uint16")
    assert np.all(first.gain == 1) and np.all(second.gain != 1)
    for tile in (first, second):
        flat = _linear(tile) / (tile.gain * tile.shading[..., None])
        # 84,000 pixels: the mean is known to 0.006/sqrt(84000) = 2e-5, five of these
        assert flat.mean(axis=(0, 1)) == pytest.approx([0.4] * 3, abs=1.1e-4)
        expected = 0.01 * np.sqrt(0.1 + 0.9 * 0.4 * tile.shading.mean())
        got = np.std(_linear(tile) / tile.gain - 0.4 * tile.shading[..., None])
        assert got == pytest.approx(expected, rel=0.02)
    assert first.shading[:, 0] == pytest.approx(0.94) and first.shading[:, 140] == pytest.approx(1, abs=1e-4)


def test_gains_spread_as_told() -> None:
    sheet = np.full((20, 20, 3), 0.4, np.float32)
    faults = truth.Faults(gain=0.05, tint=0.02)
    tiles = truth.cut_tiles(sheet, [np.eye(3)] * 201, shape=(20, 20), faults=faults)
    logs = np.log([tile.gain for tile in tiles[1:]])
    # 200 draws: a standard deviation is known to 1/sqrt(400) = 5 %, of three channels' tint to 3.5 %; three times that
    assert np.std(logs - logs.mean(axis=1, keepdims=True)) * np.sqrt(3 / 2) == pytest.approx(0.02, rel=0.11)
    assert np.std(logs.mean(axis=1)) == pytest.approx(np.hypot(0.05, 0.02 / np.sqrt(3)), rel=0.15)


def test_travel_moves_rows_as_told() -> None:
    sheet = _waves(400, 200, of="y")
    faults = truth.Faults(travel_px=(0.0, 0.5))
    pose = truth.pose(100, 200, 0, shape=(300, 100))
    (tile,) = truth.cut_tiles(sheet, [pose], shape=(300, 100), faults=faults, dtype="uint16")
    rows = np.arange(300) + tile.travel[:, 1] + 200 - 149.5
    expected = 0.5 + 0.3 * np.sin(2 * np.pi * rows / 24)
    assert 0.49 < np.abs(tile.travel[:, 1]).max() <= 0.5 and np.all(tile.travel[:, 0] == 0)
    assert np.abs(_linear(tile)[:, 50, 0] - expected).max() < 1.5e-4


def test_lift_shows_only_where_the_sheet_goes_on() -> None:
    sheet = np.full((200, 300, 3), 0.5, np.float32)
    faults = truth.Faults(lift_px=20, lift_dark=0.4)
    pose = truth.pose(49.5, 99.5, 0, shape=(200, 100))
    (tile,) = truth.cut_tiles(sheet, [pose], shape=(200, 100), faults=faults, dtype="uint16")
    assert np.array_equal(tile.lifted, np.tile(np.arange(100) > 79, (200, 1)))
    assert np.abs(_linear(tile)[:, :80] - 0.5).max() < EXACT
    assert np.abs(_linear(tile)[:, 99] - 0.5 * 0.6).max() < EXACT


def test_lift_softens_and_shifts() -> None:
    sheet = _waves(200, 300, of="x")
    faults = truth.Faults(lift_px=24, lift_dark=0.0, lift_shift_px=2.0)
    pose = truth.pose(49.5, 99.5, 0, shape=(200, 100))
    (tile,) = truth.cut_tiles(sheet, [pose], shape=(200, 100), faults=faults, dtype="uint16")
    at = np.arange(88, 100)
    depth = (1 - (99 - at) / 24) ** 2
    # a Gaussian of sigma 2 px on 24 px waves leaves exp(-2 (2 pi / 24)^2) = 0.872 of them, in full from depth 1/2
    looked = at - 2.0 * depth
    share = np.minimum(2 * depth, 1)
    expected = 0.5 + 0.3 * np.sin(2 * np.pi * looked / 24) * (1 - share * (1 - 0.872))
    # cv2 rounds the blurred look-up to 1/32 px: 0.3 * 2 pi / 24 / 32 = 0.0025
    assert np.abs(_linear(tile)[100, at, 0] - expected).max() < 0.004


def test_dust_stays_on_the_glass() -> None:
    _, tiles = truth.make_set(1, 3, shape=(120, 160), faults=truth.Faults(dust=6, gain=0.05), seed=8)
    assert all(np.array_equal(tile.dust, tiles[0].dust) for tile in tiles)
    assert 6 * 3 <= tiles[0].dust.sum() <= 6 * 49
    for tile in tiles:
        assert np.abs(_linear(tile)[tile.dust] - 0.05 * tile.gain).max() < 0.003  # half an 8-bit code at 0.05: 0.0018


def test_grid_covers_the_sheet_and_overlaps() -> None:
    poses, (height, width) = truth.grid_poses(3, 2, shape=(400, 500), overlap=0.25, seed=2)
    assert (height, width) == (1000, 875)
    middles = np.array([(pose @ [249.5, 199.5, 1])[:2] for pose in poses]).reshape(3, 2, 2)
    assert np.abs(middles[:, 1, 0] - middles[:, 0, 0] - 375).max() <= 20
    assert np.abs(np.diff(middles[:, :, 1], axis=0) - 300).max() <= 16


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_set_is_written_with_profile_and_dpi(tmp_path: Path, dtype: str) -> None:
    _, tiles = truth.make_set(1, 2, shape=(60, 80), faults=truth.REAL, dtype=dtype)
    paths = truth.write_set(tmp_path / "set", tiles, dpi=240)
    assert [path.name for path in paths] == ["piece_01.tif", "piece_02.tif"]
    for path, tile in zip(paths, tiles, strict=True):
        with tifffile.TiffFile(path) as file:
            page = file.pages[0]
            assert page.iccprofile == truth.SRGB
            assert page.tags[282].value == (240, 1) and page.tags[296].value == 2  # TIFF 6.0: 2 = inch
            assert np.array_equal(page.asarray(), tile.pixels) and page.dtype == np.dtype(dtype)
