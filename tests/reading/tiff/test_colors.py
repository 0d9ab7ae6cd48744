"""I check that samples of every depth and kind come out exactly, and that those that cannot are refused with advice.

Reference: TIFF 6.0 (1992), sections 4-6, tags 258, 281, 339; technical note 3 (2005) for predictor 3. Files are made by
tifffile.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from picture_files import gray_profile, scene

from stitchbed.core.errors import UnreadableTile
from stitchbed.imaging.box import Box
from stitchbed.reading.formats import open_windows, read_header

DEEP = scene(3, "uint16")


def back(path: Path) -> np.ndarray:
    """All pixels, and in passing that windows are crops of them."""
    with open_windows(path) as windows:
        rows, cols, _ = windows.raster.shape
        whole = windows.window(Box(0, 0, rows, cols))
        assert np.array_equal(windows.window(Box(7, 11, 20, 30)), whole[7:27, 11:41])
        assert windows.raster.dtype == str(whole.dtype)
    return whole


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("dtype", ["float32", "float64"])
@pytest.mark.parametrize(
    ("compression", "predictor", "tile"),
    [(None, None, None), (None, None, (16, 32)), ("deflate", 3, None), ("lzw", 3, (32, 16)), ("zstd", None, None)],
)
def test_sixteen_bits_as_floating_point_come_back_exactly(
    order: str, dtype: str, compression: str | None, predictor: int | None, tile: tuple | None, tmp_path: Path
) -> None:
    path = tmp_path / "float.tif"
    options = {"compression": compression, "predictor": predictor, "tile": tile, "byteorder": order}
    tifffile.imwrite(path, (DEEP / 65535).astype(dtype), photometric="rgb", **options)
    assert np.array_equal(back(path), DEEP)
    (note,) = read_header(path).notes
    assert "no profile" in note


def test_half_precision_is_the_nearest_code(tmp_path: Path) -> None:
    half = (DEEP / 65535).astype(np.float16)
    tifffile.imwrite(tmp_path / "half.tif", half, photometric="rgb")
    assert np.array_equal(back(tmp_path / "half.tif"), np.rint(half.astype(float) * 65535))


@pytest.mark.parametrize("value", [1.3, -0.01, np.nan, np.inf])
@pytest.mark.parametrize("compression", [None, "deflate"])
def test_values_outside_are_refused_not_clipped(value: float, compression: str | None, tmp_path: Path) -> None:
    light = DEEP / np.float32(65535)
    light[40, 50, 1] = value
    tifffile.imwrite(tmp_path / "float.tif", light, photometric="rgb", compression=compression)
    with pytest.raises(UnreadableTile, match=r"floating point|no number") as caught:
        back(tmp_path / "float.tif")
    assert "0..1" in caught.value.attempt


@pytest.mark.parametrize("bits", [10, 12, 14])
@pytest.mark.parametrize("samples", [1, 3])
def test_deep_samples_fill_sixteen_bits(bits: int, samples: int, tmp_path: Path) -> None:
    stored = DEEP[..., :samples] >> (16 - bits)
    want = np.rint(stored * (65535 / (2**bits - 1)))
    kind = "rgb" if samples == 3 else "minisblack"
    tifffile.imwrite(tmp_path / "packed.tif", stored, photometric=kind, bitspersample=bits)
    assert np.array_equal(back(tmp_path / "packed.tif"), want)
    assert read_header(tmp_path / "packed.tif").raster.bits == bits
    said = (281, 3, samples, (2**bits - 1,) * samples, True)
    tifffile.imwrite(tmp_path / "wide.tif", stored, photometric=kind, extratags=[said])
    assert np.array_equal(back(tmp_path / "wide.tif"), want)
    assert f"its 16 bits hold {bits}" in read_header(tmp_path / "wide.tif").notes[0]


def test_other_largest_values_change_nothing(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "plain.tif", DEEP, photometric="rgb", extratags=[(281, 3, 3, (60_000,) * 3, True)])
    assert np.array_equal(back(tmp_path / "plain.tif"), DEEP)


def test_gray_keeps_its_profile(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "gray.tif", DEEP[..., 0], photometric="minisblack", iccprofile=gray_profile())
    assert read_header(tmp_path / "gray.tif").raster.icc == gray_profile()
    assert np.array_equal(back(tmp_path / "gray.tif"), DEEP[..., :1])


@pytest.mark.parametrize(("kind", "samples", "word"), [("cielab", 3, "CIELAB"), ("separated", 4, "CMYK")])
def test_colors_of_the_press_say_what_to_set_in_the_scanner(kind: str, samples: int, word: str, tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "scan.tif", scene(4)[..., :samples], photometric=kind)
    with pytest.raises(UnreadableTile, match=word) as caught:
        read_header(tmp_path / "scan.tif")
    assert "set the scanner software to RGB" in caught.value.attempt
