"""I check PNG, JPEG and WebP reading against their standards and against other readers and writers."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pytest
from jpeg_bytes import exif, jfif, jpeg, profile_segments, segment, webp
from peak_memory import run_measured
from picture_files import HEIGHT, WIDTH, Made, gray_profile, made_files, rgb_profile, scene
from PIL import Image, ImageOps
from png_bytes import chunk, density_chunk, png, profile_chunk

from stitchbed.core.errors import UnreadableTile
from stitchbed.imaging.box import Box
from stitchbed.reading.formats import open_windows, read_header, read_raster
from stitchbed.reading.stills import png_rows

WHOLE = Box(0, 0, HEIGHT, WIDTH)
STILLS = [made for made in made_files() if not made.name.endswith(".tif")]
PNGS = pytest.mark.parametrize("made", [m for m in STILLS if m.name.endswith(".png")], ids=lambda m: m.name)
JPEGS = pytest.mark.parametrize("made", [m for m in STILLS if m.name.endswith(".jpg")], ids=lambda m: m.name)


def save(folder: Path, data: bytes, name: str) -> Path:
    """Write bytes into a folder."""
    path = folder / name
    path.write_bytes(data)
    return path


def pixels_of(path: Path) -> np.ndarray:
    """The whole picture."""
    with open_windows(path) as windows:
        rows, cols, _ = windows.raster.shape
        return windows.window(Box(0, 0, rows, cols))


# --- PNG


@PNGS
def test_our_test_files_are_read_alike_by_others(made: Made, tmp_path: Path) -> None:
    seen = cv2.imread(str(made.write(tmp_path)), cv2.IMREAD_UNCHANGED).reshape(HEIGHT, WIDTH, -1)
    color = seen[..., 2::-1] if seen.shape[2] >= 3 else seen[..., :1]
    color = color[..., : made.color.shape[2]]
    assert np.array_equal(color, made.color)
    if made.alpha is not None and made.name != "keyed.png":
        assert np.array_equal(seen[..., -1], made.alpha)


@PNGS
def test_bands_do_not_change_pixels(made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = made.write(tmp_path)
    at_once = pixels_of(path)
    monkeypatch.setattr(png_rows, "AT_ONCE", 0)
    monkeypatch.setattr(png_rows, "BAND_BYTES", 1000)  # a few rows, so that bands follow every filter
    monkeypatch.setattr(png_rows, "READ_BYTES", 700)
    assert np.array_equal(pixels_of(path), at_once)


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA", "I;16"])
def test_png_of_pillow(mode: str, tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    deep = Image.fromarray(scene(1, "uint16")[..., 0])
    picture = deep if mode == "I;16" else Image.fromarray(scene()).convert(mode)
    picture.save(path, dpi=(600, 600), icc_profile=None if mode in ("1", "L", "LA", "I;16") else rgb_profile())
    want = np.asarray(picture if mode == "I;16" else picture.convert("L" if mode in ("1", "L", "LA") else "RGB"))
    raster = read_raster(path)
    assert raster.dpi == (600.0, 600.0)
    assert raster.icc == (rgb_profile() if raster.shape[2] == 3 else None)
    assert np.array_equal(pixels_of(path), want.reshape(raster.shape))


@pytest.mark.parametrize(
    ("dpi", "per_meter"),
    # ISO/IEC 15948 pHYs: dpi / 0.0254, rounded
    [(72, 2835), (96, 3780), (150, 5906), (300, 11811), (400, 15748), (600, 23622), (1200, 47244)],
)
def test_png_density_comes_back_as_it_was_meant(dpi: int, per_meter: int, tmp_path: Path) -> None:
    path = save(tmp_path, png(scene(), before=[density_chunk(per_meter, per_meter)]), "a.png")
    assert read_raster(path).dpi == (dpi, dpi)
    written = io.BytesIO()
    Image.fromarray(scene()).save(written, "PNG", dpi=(dpi, dpi))
    assert struct.pack(">4sIIB", b"pHYs", per_meter, per_meter, 1) in written.getvalue()


@pytest.mark.parametrize("data", [density_chunk(11811, 11811, 0), density_chunk(0, 0), chunk(b"pHYs", b"123")])
def test_png_without_a_sound_density_has_none(data: bytes, tmp_path: Path) -> None:
    assert read_raster(save(tmp_path, png(scene(), before=[data]), "a.png")).dpi is None


def test_png_data_with_a_wrong_check_sum_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = bytearray(png(scene()))
    data[-14] ^= 1  # the last byte but one of the data's check sum
    path = save(tmp_path, bytes(data), "torn.png")
    with pytest.raises(UnreadableTile, match=r"torn\.png is damaged: the check sum"):
        open_windows(path)
    monkeypatch.setattr(png_rows, "AT_ONCE", 0)
    with pytest.raises(UnreadableTile, match=r"torn\.png is damaged: the check sum"):
        open_windows(path)


def test_png_with_more_data_than_rows_is_read(tmp_path: Path) -> None:
    rows = zlib.compress(b"\0\x80" * 2 + b"more")
    data = png_rows.MAGIC + chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 2, 8, 0, 0, 0, 0)) + chunk(b"IDAT", rows)
    path = save(tmp_path, data + chunk(b"IEND", b""), "a.png")
    assert pixels_of(path).ravel().tolist() == [128, 128]


def test_png_names_how_much_is_there_when_rows_are_missing(tmp_path: Path) -> None:
    rows = zlib.compress(b"\0\x80" * 5)
    data = png_rows.MAGIC + chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 9, 8, 0, 0, 0, 0)) + chunk(b"IDAT", rows)
    path = save(tmp_path, data + chunk(b"IEND", b""), "a.png")
    with pytest.raises(UnreadableTile, match="after 10 of 18 bytes"):
        open_windows(path)


# --- JPEG


@JPEGS
def test_jpeg_is_decoded_as_pillow_decodes_it(made: Made, tmp_path: Path) -> None:
    path = made.write(tmp_path)
    with Image.open(path) as seen:
        want = np.asarray(seen).reshape(made.color.shape)
    # T.83 allows a code of difference between decoders
    assert abs(pixels_of(path).astype(int) - want).max() <= 1


@pytest.mark.parametrize("options", [{"progressive": True}, {"optimize": True}, {"subsampling": 2}, {"quality": 30}])
def test_jpeg_of_pillow(options: dict, tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(scene()).save(path, dpi=(300, 300), icc_profile=rgb_profile(), **options)
    raster = read_raster(path)
    assert (raster.dpi, raster.icc, raster.windowed) == ((300.0, 300.0), rgb_profile(), False)
    # ITU-T T.871: unit 1, then 300 as 01 2c, twice
    assert b"JFIF\0\x01\x01\x01\x01\x2c\x01\x2c" in path.read_bytes()
    with Image.open(path) as seen:
        assert abs(pixels_of(path).astype(int) - np.asarray(seen)).max() <= 1


def test_jpeg_that_stores_rgb_keeps_its_colors(tmp_path: Path) -> None:
    data = bytes(imagecodecs.jpeg8_encode(scene(), level=95, colorspace="RGB", outcolorspace="RGB"))
    path = save(tmp_path, data, "a.jpg")
    # a swap to YCbCr would be off by a hundred codes; the loss of quality 95 is far below
    assert abs(pixels_of(path).astype(int) - scene()).max() <= 16


@pytest.mark.parametrize(
    ("unit", "x", "want"),
    # 118 per cm is 299.72 dpi: the unit's step is 2.54 dpi, so 300 was meant
    [(1, 300, 300), (2, 118, 300), (2, 236, 600), (2, 59, 150), (0, 300, None), (1, 0, None), (1, 299, 299)],
)
def test_jfif_density(unit: int, x: int, want: float | None, tmp_path: Path) -> None:
    path = save(tmp_path, jpeg(scene(), jfif(unit, x, x)), "a.jpg")
    assert read_raster(path).dpi == (None if want is None else (want, want))


def test_jfif_is_believed_before_exif(tmp_path: Path) -> None:
    said = segment(0xE1, b"Exif\0\0" + exif(dpi=72))
    assert read_raster(save(tmp_path, jpeg(scene(), jfif(1, 600, 600), said), "a.jpg")).dpi == (600.0, 600.0)
    assert read_raster(save(tmp_path, jpeg(scene(), jfif(0, 1, 1), said), "a.jpg")).dpi == (72.0, 72.0)


# --- what all share


@pytest.mark.parametrize("turn", range(1, 9))
@pytest.mark.parametrize("kind", ["png", "jpg", "webp"])
@pytest.mark.parametrize("order", ["<", ">"])
def test_exif_orientation_is_honored(turn: int, kind: str, order: str, tmp_path: Path) -> None:
    said = exif(turn=turn, order=order)
    data = {
        "png": lambda: png(scene(), before=[chunk(b"eXIf", said)]),
        "jpg": lambda: jpeg(scene(), segment(0xE1, b"Exif\0\0" + said)),
        "webp": lambda: webp(scene(), exif_data=said),
    }[kind]()
    path = save(tmp_path, data, f"a.{kind}")
    with Image.open(path) as seen:
        want = np.asarray(ImageOps.exif_transpose(seen))
    assert read_raster(path).shape == want.shape
    assert want.shape[:2] == ((HEIGHT, WIDTH) if turn < 5 else (WIDTH, HEIGHT))
    assert abs(pixels_of(path).astype(int) - want).max() <= (1 if kind == "jpg" else 0)


@pytest.mark.parametrize(
    ("icc", "words"),
    [
        (b"no profile at all" * 20, "no ICC profile"),
        (rgb_profile()[:300], "cut off"),
        (gray_profile(), "made for GRAY"),
    ],
)
@pytest.mark.parametrize("kind", ["png", "jpg", "webp"])
def test_wrong_profiles_are_ignored_and_noted(icc: bytes, words: str, kind: str, tmp_path: Path) -> None:
    data = {
        "png": lambda: png(scene(), before=[profile_chunk(icc)]),
        "jpg": lambda: jpeg(scene(), profile_segments(icc)),
        "webp": lambda: webp(scene(), icc=icc),
    }[kind]()
    header = read_header(save(tmp_path, data, f"a.{kind}"))
    assert header.raster.icc is None
    assert len(header.notes) == 1
    assert words in header.notes[0]


@pytest.mark.parametrize("made", STILLS, ids=lambda made: made.name)
def test_pixels_are_the_same_in_memory_and_in_scratch(made: Made, tmp_path: Path) -> None:
    path = made.write(tmp_path)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    with open_windows(path) as in_memory, open_windows(path, scratch=scratch) as on_disk:
        for box in (WHOLE, Box(3, 60, 50, 11), Box(20, 1, 1, 70), Box(52, 70, 1, 1)):
            assert np.array_equal(in_memory.window(box), on_disk.window(box))
        assert np.array_equal(in_memory.view(5), on_disk.view(5))
    assert list(scratch.iterdir()) == []


VIEWED = """
import sys
from pathlib import Path
from stitchbed.imaging.box import Box
from stitchbed.reading.formats import open_windows
with open_windows(Path(sys.argv[1]), scratch=Path(sys.argv[2])) as windows:
    rows, cols, _ = windows.raster.shape
    windows.view(8)
    assert windows.window(Box(rows - 9, cols - 9, 9, 9)).min() == 0
"""


def test_a_large_png_needs_little_memory(tmp_path: Path) -> None:
    rows, cols = 7000, 6000  # 240 MiB in RGB and 16 bits
    packer = zlib.compressobj(1)
    line = b"\0" * (1 + cols * 6)
    packed = b"".join([packer.compress(line * 100) for _ in range(rows // 100)]) + packer.flush()
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", cols, rows, 16, 2, 0, 0, 0))
    path = save(tmp_path, png_rows.MAGIC + head + chunk(b"IDAT", packed) + chunk(b"IEND", b""), "a.png")
    _, peak = run_measured(VIEWED, path, tmp_path)
    # the program with its libraries takes 116 MiB; a band of 4 MiB is held up to twelve times, and two strips of 8 MiB
    # of the view with what is made of them; the decoded picture alone would be 240 MiB
    assert peak < 116 + 12 * 4 + 4 * 8
