"""I check PNG and JPEG outputs: their pixels, resolution, profile, and what happens past their limits."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from stitchbed.core.errors import CanvasTooLarge, WouldTouchOriginal
from stitchbed.output.png_jpeg import LIMITS, pixels_of, write_flat
from stitchbed.output.tiff_master import BLOCK, MasterSpec, encode_block, write_row

ICC = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
# ISO/IEC 15948 (PNG), pHYs: px per meter = dpi / .0254 rounded
PER_METER = {72: 2835, 96: 3780, 150: 5906, 300: 11811, 400: 15748, 600: 23622, 1200: 47244}


def _rows(folder: Path, spec: MasterSpec, picture: np.ndarray) -> Path:
    folder.mkdir()
    for row in range(-(-spec.height // BLOCK)):
        part = picture[row * BLOCK : (row + 1) * BLOCK]
        write_row(folder, row, [encode_block(part[:, c : c + BLOCK], spec) for c in range(0, spec.width, BLOCK)])
    return folder


def _noise(spec: MasterSpec) -> np.ndarray:
    shape = (spec.height, spec.width, spec.samples)
    return np.random.default_rng(1).integers(0, np.iinfo(spec.dtype).max + 1, shape, dtype=spec.dtype)


def _chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    found, at = [], 8
    while at < len(data):
        size = struct.unpack(">I", data[at : at + 4])[0]
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + size]
        assert struct.unpack(">I", data[at + 8 + size : at + 12 + size])[0] == zlib.crc32(kind + body)
        found.append((kind, body))
        at += 12 + size
    return found


@pytest.mark.parametrize("codec", ["deflate", "zstd", "none"])
@pytest.mark.parametrize(
    ("channels", "alpha", "dtype"), [(3, True, "uint16"), (3, False, "uint8"), (1, False, "uint16")]
)
def test_png_keeps_every_code(tmp_path: Path, codec: str, channels: int, alpha: bool, dtype: str) -> None:
    spec = MasterSpec(300, 1100, channels, dtype, alpha, 300, None, codec)
    picture = _noise(spec)
    rows = _rows(tmp_path / "rows", spec, picture)
    assert np.array_equal(pixels_of(spec, rows), picture)
    write_flat(tmp_path / "c.png", spec, rows, memory=2**30)
    read = cv2.imread(str(tmp_path / "c.png"), cv2.IMREAD_UNCHANGED).reshape(300, 1100, -1)
    swapped = read if channels == 1 else np.concatenate([read[..., 2::-1], read[..., 3:]], axis=2)
    assert swapped.dtype == np.dtype(dtype) and np.array_equal(swapped, picture)


@pytest.mark.parametrize("dpi", sorted(PER_METER))
def test_png_states_pixels_per_meter_and_profile_before_pixels(tmp_path: Path, dpi: int) -> None:
    spec = MasterSpec(20, 30, 3, "uint8", False, dpi, ICC)
    write_flat(tmp_path / "c.png", spec, _rows(tmp_path / "rows", spec, _noise(spec)), memory=2**30)
    chunks = _chunks((tmp_path / "c.png").read_bytes())
    kinds = [kind for kind, _ in chunks]
    assert kinds[0] == b"IHDR" and kinds[-1] == b"IEND" and b"sRGB" not in kinds
    assert kinds.index(b"iCCP") < kinds.index(b"IDAT") and kinds.index(b"pHYs") < kinds.index(b"IDAT")
    body = dict(chunks)
    assert body[b"pHYs"] == struct.pack(">IIB", PER_METER[dpi], PER_METER[dpi], 1)
    name, packed = body[b"iCCP"].split(b"\0", 1)
    assert 1 <= len(name) <= 79 and zlib.decompress(packed[1:]) == ICC
    with Image.open(tmp_path / "c.png") as picture:
        assert picture.info["icc_profile"] == ICC and round(picture.info["dpi"][0]) == dpi


def test_jpeg_states_dpi_in_jfif_units(tmp_path: Path) -> None:
    """ITU-T T.871: after "JFIF" and the version, unit 1 is dots per inch, then X and Y: 300 is 01 2c."""
    spec = MasterSpec(64, 80, 3, "uint16", False, 300, ICC)
    smooth = np.tile(np.linspace(0, 65535, 80).astype(np.uint16)[None, :, None], (64, 1, 3))
    write_flat(tmp_path / "c.jpg", spec, _rows(tmp_path / "rows", spec, smooth), memory=2**30)
    data = (tmp_path / "c.jpg").read_bytes()
    at = data.index(b"JFIF\0")
    assert data[at + 7 : at + 12] == bytes.fromhex("01012c012c")
    with Image.open(tmp_path / "c.jpg") as picture:
        assert picture.info["icc_profile"] == ICC
        assert np.abs(np.asarray(picture, int) - np.rint(smooth / 257)).max() <= 3  # quality 95


def test_jpeg_puts_paper_white_under_what_is_transparent(tmp_path: Path) -> None:
    spec = MasterSpec(64, 64, 3, "uint8", True, 300, None)
    picture = np.zeros((64, 64, 4), np.uint8)
    picture[:, 32:] = (40, 90, 160, 255)
    write_flat(tmp_path / "c.jpg", spec, _rows(tmp_path / "rows", spec, picture), memory=2**30)
    read = cv2.imread(str(tmp_path / "c.jpg"))[..., ::-1].astype(int)
    assert read[:, :24].min() > 250 and np.abs(read[:, 40:] - (40, 90, 160)).max() < 4


def test_gray_jpeg_stays_gray(tmp_path: Path) -> None:
    spec = MasterSpec(32, 40, 1, "uint8", False, 300, None)
    write_flat(
        tmp_path / "c.jpeg", spec, _rows(tmp_path / "rows", spec, np.full((32, 40, 1), 77, np.uint8)), memory=2**30
    )
    with Image.open(tmp_path / "c.jpeg") as picture:
        assert picture.mode == "L" and np.asarray(picture).min() >= 76


def test_a_picture_past_the_memory_is_refused(tmp_path: Path) -> None:
    spec = MasterSpec(20, 30, 3, "uint8", False, 300, None)
    rows = _rows(tmp_path / "rows", spec, _noise(spec))
    with pytest.raises(CanvasTooLarge, match="tif output"):
        write_flat(tmp_path / "c.png", spec, rows, memory=2 * 20 * 30 * 3 - 1)
    assert not (tmp_path / "c.png").exists()
    write_flat(tmp_path / "c.png", spec, rows, memory=2 * 20 * 30 * 3)
    assert (tmp_path / "c.png").exists()


def test_an_original_is_never_written(tmp_path: Path) -> None:
    original = tmp_path / "scan.png"
    original.write_bytes(b"precious")
    spec = MasterSpec(8, 8, 1, "uint8", False, 300, None)
    with pytest.raises(WouldTouchOriginal):
        write_flat(original, spec, _rows(tmp_path / "rows", spec, _noise(spec)), memory=2**30, originals=[original])
    assert original.read_bytes() == b"precious"


def test_limits_are_those_of_the_formats() -> None:
    """ITU-T T.81 has 65535, the library everybody uses stops at 65500; ISO/IEC 15948 has 2^31 - 1."""
    assert LIMITS == {".png": 2147483647, ".jpg": 65500, ".jpeg": 65500}
