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
from stitchbed.reading.tiff.colors import codes_of, colored, notes_on
from stitchbed.reading.tiff.layout import TiffPage

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


def page(**said: object) -> TiffPage:
    """Facts of a picture of one row: 8 bits gray, or as said."""
    plain = {
        "height": 1, "width": 3, "bits": 8, "samples": 1, "photometric": 1, "compression": "none",
        "planes_apart": False, "predictor": 1, "low_bit_first": False, "order": "<", "tiled": False, "piece_height": 1,
        "piece_width": 3, "offsets": np.zeros(1, np.int64), "counts": np.zeros(1, np.int64), "palette": None,
        "jpeg_tables": None, "fax_options": 0, "color": 1, "alpha": None, "associated": False,
        "path": Path("scan.tif"), "floating": False, "top": 255,
    }  # fmt: skip
    return TiffPage(**{**plain, **said})


def row(*values: object, dtype: str = "uint8") -> np.ndarray:
    """One row of pixels."""
    return np.array([values], dtype).reshape(1, len(values), -1)


def test_colored_by_hand() -> None:
    assert colored(page(), row(0, 7, 255)).ravel().tolist() == [0, 7, 255]
    assert colored(page(photometric=0), row(0, 7, 255)).ravel().tolist() == [255, 248, 0]
    assert colored(page(bits=2, top=3), row(0, 1, 3)).ravel().tolist() == [0, 85, 255]
    assert colored(page(bits=2, top=3, photometric=0), row(0, 1, 3)).ravel().tolist() == [255, 170, 0]
    deep = colored(page(bits=12, top=4095), row(0, 2048, 4095, dtype="uint16"))
    assert deep.ravel().tolist() == [0, 32776, 65535]
    assert deep.dtype == np.uint16


def test_white_is_the_largest_code_that_is_stored() -> None:
    wide = page(bits=16, top=4095)
    assert colored(wide, row(0, 2048, 4095, dtype="uint16")).ravel().tolist() == [0, 32776, 65535]
    assert colored(wide, row(5000, 4096, 4095, dtype="uint16")).ravel().tolist() == [65535] * 3
    assert colored(page(bits=16, top=65535), row(4095, dtype="uint16")).item() == 4095


def test_only_color_is_turned_round_not_alpha() -> None:
    raw = row((10, 200), (255, 0))
    out = colored(page(photometric=0, samples=2, alpha=1), raw)
    assert out.tolist() == [[[245, 200], [0, 0]]]
    assert raw.tolist() == [[[10, 200], [255, 0]]]  # what was handed in is as it was


def test_palettes_are_looked_up_beside_alpha() -> None:
    table = np.array([[1, 2, 3], [40, 50, 60]], np.uint8)
    assert colored(page(photometric=3, palette=table), row(1, 0)).tolist() == [[[40, 50, 60], [1, 2, 3]]]
    with_alpha = colored(page(photometric=3, palette=table, samples=2, alpha=1), row((1, 9), (0, 8)))
    assert with_alpha.tolist() == [[[40, 50, 60, 9], [1, 2, 3, 8]]]


def test_floating_point_stays_as_it_was_made() -> None:
    floating = page(bits=32, floating=True, top=2**32 - 1)
    assert colored(floating, row(1, 4096, dtype="uint16")).ravel().tolist() == [1, 4096]


@pytest.mark.parametrize(
    ("value", "code"), [(0, 0), (1, 65535), (0.5, 32768), (7 / 65535, 7), (-7e-6, 0), (1.000007, 65535)]
)
def test_the_nearest_code_of_a_value(value: float, code: int) -> None:
    found = codes_of(page(bits=64, floating=True), np.array([[value]]))
    assert (found.dtype, found.item()) == (np.uint16, code)


@pytest.mark.parametrize(
    ("value", "words"),
    [(-8e-6, "from -8e-06 to 0"), (1.000008, "from 0 to 1"), (np.nan, "no number or endless"), (np.inf, "no number")],
)
def test_a_value_outside_by_half_a_code_is_refused(value: float, words: str) -> None:
    with pytest.raises(UnreadableTile, match=words):
        codes_of(page(bits=64, floating=True), np.array([[value]]))


def test_notes_by_their_facts() -> None:
    assert notes_on(page(), None) == ()
    more = page(samples=5, color=3, photometric=2, alpha=3)
    assert notes_on(more, None) == ("1 further channel(s) beside color and alpha are not used",)
    (said,) = notes_on(page(bits=16, top=4095), None)
    assert said == "its 16 bits hold 12, as it says (MaxSampleValue 4,095): white was taken to be that"
    floating = page(bits=32, floating=True, top=2**32 - 1)
    assert "taken as sRGB" in notes_on(floating, None)[0]
    assert notes_on(floating, b"a profile") == ()
