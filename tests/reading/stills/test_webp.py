"""I check the WebP reader's own promises against Pillow: header, pixels, what decoding costs, cuts, moving pictures."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from picture_files import rgb_profile, scene
from PIL import Image

from stitchbed.core.errors import CanvasTooLarge, UnreadableTile
from stitchbed.reading.stills.webp import at_once, bands, read_header

ENOUGH = 10**9  # px


def of_pillow(samples: int = 3, **options: object) -> bytes:
    """A WebP as Pillow writes it."""
    file = io.BytesIO()
    Image.fromarray(scene(samples)).save(file, "WEBP", **options)
    return file.getvalue()


def save(folder: Path, data: bytes) -> Path:
    """Write a file."""
    path = folder / "a.webp"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("samples", [3, 4])
@pytest.mark.parametrize("lossless", [False, True])
def test_header_and_pixels_are_pillow_s(samples: int, lossless: bool, tmp_path: Path) -> None:
    path = save(tmp_path, of_pillow(samples, lossless=lossless, exact=True))
    header = read_header(path, ENOUGH)
    assert header.raster.shape == (53, 71, 3)
    assert header.raster.alpha == (samples == 4)
    assert at_once(header) == 53 * 71 * (4 + samples)
    assert np.array_equal(np.concatenate(list(bands(path, header))), np.asarray(Image.open(path)))


def test_profile_turn_and_density_are_read(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[274], exif[282], exif[283], exif[296] = 8, 600, 300, 2
    header = read_header(save(tmp_path, of_pillow(exif=exif, icc_profile=rgb_profile())), ENOUGH)
    assert header.orientation == 8
    assert header.raster.shape == (71, 53, 3)
    assert header.raster.dpi == (300.0, 600.0)
    assert header.raster.icc == rgb_profile()


def test_moving_pictures_are_refused(tmp_path: Path) -> None:
    other = Image.fromarray(255 - scene())
    with pytest.raises(UnreadableTile, match="is a moving"):
        read_header(save(tmp_path, of_pillow(save_all=True, append_images=[other])), ENOUGH)


def test_every_cut_is_refused(tmp_path: Path) -> None:
    data = of_pillow(icc_profile=rgb_profile())
    for kept in (*range(60), len(data) // 2, len(data) - 2, len(data) - 1):
        with pytest.raises(UnreadableTile):
            read_header(save(tmp_path, data[:kept]), ENOUGH)


def test_a_file_without_a_picture_and_one_too_large_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UnreadableTile, match="without a picture"):
        read_header(save(tmp_path, b"RIFF\x0c\0\0\0WEBPVP8X\0\0\0\0"), ENOUGH)
    with pytest.raises(CanvasTooLarge):
        read_header(save(tmp_path, of_pillow()), 53 * 71 - 1)
