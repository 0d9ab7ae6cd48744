"""I check the JPEG reader's own promises against Pillow: what segments say, the frame, what decoding costs."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from picture_files import rgb_profile, scene
from PIL import Image

from stitchbed.core.errors import CanvasTooLarge, UnreadableTile
from stitchbed.reading.stills.jpeg import JpegFrame, at_once, bands, frame_of, read_header, segments

ENOUGH = 10**9  # px


def of_pillow(mode: str = "RGB", **options: object) -> bytes:
    """A JPEG as Pillow writes it."""
    file = io.BytesIO()
    Image.fromarray(scene(3)).convert(mode).save(file, "JPEG", **options)
    return file.getvalue()


def save(folder: Path, data: bytes) -> Path:
    """Write a file."""
    path = folder / "a.jpg"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(("mode", "components"), [("L", 1), ("RGB", 3), ("CMYK", 4)])
@pytest.mark.parametrize("progressive", [False, True])
def test_the_frame_is_the_one_pillow_sees(mode: str, components: int, progressive: bool) -> None:
    data = of_pillow(mode, progressive=progressive)
    seen = Image.open(io.BytesIO(data))
    process = 2 if progressive else 0  # T.81, table B.1: SOF0 baseline, SOF2 progressive
    assert frame_of(data) == JpegFrame(seen.height, seen.width, 8, components, process)


def test_segments_hold_what_pillow_put_in_them() -> None:
    data = of_pillow(comment=b"a harbor town", icc_profile=rgb_profile())
    found = {marker: data[start:end] for marker, start, end in segments(data)}
    assert found[0xFE] == b"a harbor town"
    assert found[0xE2][14:] == rgb_profile()
    assert list(found)[-1] == 0xDA  # nothing behind the first scan's header
    filled = segments(data[:2] + b"\xff" * 3 + data[2:])  # T.81, B.1.1.2: any number of fill bytes
    assert next(filled) == (0xE0, 9, 23)


def test_header_and_pixels_are_pillow_s(tmp_path: Path) -> None:
    path = save(tmp_path, of_pillow(dpi=(240, 120), icc_profile=rgb_profile()))
    header = read_header(path, ENOUGH)
    assert header.raster.shape == scene(3).shape
    assert header.raster.dpi == (240.0, 120.0)
    assert header.raster.icc == rgb_profile()
    rows = np.concatenate(list(bands(path, header)))
    assert np.array_equal(rows, np.asarray(Image.open(path)))


def test_a_progressive_picture_costs_its_coefficients_besides(tmp_path: Path) -> None:
    pixels = scene(3).size
    costs = [at_once(read_header(save(tmp_path, of_pillow(progressive=p)), ENOUGH)) for p in (False, True)]
    assert costs == [pixels, pixels + 2 * pixels]


def test_every_cut_is_refused(tmp_path: Path) -> None:
    data = of_pillow()
    for kept in (*range(0, 700, 13), len(data) // 2, len(data) - 2, len(data) - 1):
        with pytest.raises(UnreadableTile):
            read_header(save(tmp_path, data[:kept]), ENOUGH)


def test_four_inks_and_too_many_pixels_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UnreadableTile, match="CMYK"):
        read_header(save(tmp_path, of_pillow("CMYK")), ENOUGH)
    with pytest.raises(CanvasTooLarge):
        read_header(save(tmp_path, of_pillow()), scene(3).size // 3 - 1)
