"""I check the PNG reader's own promises against Pillow: header, density, profile, what decoding costs, cuts."""

from __future__ import annotations

import io
import zlib
from pathlib import Path

import numpy as np
import pytest
from picture_files import gray_profile, rgb_profile, scene
from PIL import Image
from png_bytes import chunk, density_chunk, png, profile_chunk

from stitchbed.core.errors import CanvasTooLarge, UnreadableTile
from stitchbed.reading.stills import png_rows
from stitchbed.reading.stills.png import at_once, bands, read_header

ENOUGH = 10**9  # px


def save(folder: Path, data: bytes) -> Path:
    """Write a file."""
    path = folder / "a.png"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA"])
def test_header_and_pixels_are_pillow_s(mode: str, tmp_path: Path) -> None:
    picture = Image.fromarray(scene(4 if "A" in mode else 3)).convert(mode)
    file = io.BytesIO()
    picture.save(file, "PNG", dpi=(300, 150))
    path = save(tmp_path, file.getvalue())
    header = read_header(path, ENOUGH)
    want = np.asarray(picture.convert({"1": "L", "P": "RGB"}.get(mode, mode))).reshape(*scene().shape[:2], -1)
    assert header.raster.shape == (*want.shape[:2], 1 if mode in ("1", "L", "LA") else 3)
    assert header.raster.alpha == (mode in ("LA", "RGBA"))
    assert header.raster.bits == (1 if mode == "1" else 8)
    assert header.raster.dpi == (300.0, 150.0)
    assert np.array_equal(np.concatenate(list(bands(path, header))), want)


def test_a_density_without_a_unit_is_a_shape_only(tmp_path: Path) -> None:
    ratio = png(scene(), before=[density_chunk(11811, 11811, unit=0)])
    assert read_header(save(tmp_path, ratio), ENOUGH).raster.dpi is None


def test_pillow_s_turn_swaps_sides_and_densities(tmp_path: Path) -> None:
    file, exif = io.BytesIO(), Image.Exif()
    exif[274] = 6
    Image.fromarray(scene()).save(file, "PNG", exif=exif, dpi=(300, 150))
    header = read_header(save(tmp_path, file.getvalue()), ENOUGH)
    assert header.orientation == 6
    assert header.raster.shape == (71, 53, 3)
    assert header.raster.dpi == (150.0, 300.0)


@pytest.mark.parametrize(
    ("part", "icc", "words"),
    [
        (profile_chunk(rgb_profile()), rgb_profile(), ""),
        (profile_chunk(gray_profile()), None, "made for GRAY"),
        (chunk(b"iCCP", b"name\0\0" + zlib.compress(rgb_profile())[:-9]), None, "cut off"),
        (chunk(b"iCCP", b"name\0\0 no deflate"), None, "damaged"),
    ],
)
def test_a_profile_is_taken_whole_or_not_at_all(part: bytes, icc: bytes | None, words: str, tmp_path: Path) -> None:
    header = read_header(save(tmp_path, png(scene(), before=[part])), ENOUGH)
    assert header.raster.icc == icc
    assert words in "".join(header.notes) and bool(header.notes) == bool(words)


def test_an_interlaced_picture_costs_all_of_itself_besides_bands(tmp_path: Path) -> None:
    pixels = scene(4, "uint16")
    plain, woven = (at_once(read_header(save(tmp_path, png(pixels, interlace=w)), ENOUGH)) for w in (False, True))
    assert woven - plain == pixels.nbytes
    assert plain == 12 * png_rows.BAND_BYTES


def test_every_cut_is_refused(tmp_path: Path) -> None:
    data = png(scene(height=9, width=7), before=[density_chunk(1, 1)])
    for kept in (*range(0, len(data), 5), len(data) - 1):
        with pytest.raises(UnreadableTile):
            read_header(save(tmp_path, data[:kept]), ENOUGH)
    assert read_header(save(tmp_path, data), ENOUGH).raster.shape == (9, 7, 3)


def test_too_many_pixels_are_refused(tmp_path: Path) -> None:
    with pytest.raises(CanvasTooLarge):
        read_header(save(tmp_path, png(scene(height=9, width=7))), 62)
