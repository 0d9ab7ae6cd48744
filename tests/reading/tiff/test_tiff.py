"""I check TIFF reading against the standard and against other readers and writers."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from picture_files import HEIGHT, WIDTH, made_files, rgb_profile, scene
from PIL import Image, ImageOps
from tiff_bytes import Plan, assembled, cut, directory, encoded, tiff

from stitchbed.imaging.box import Box, blocks
from stitchbed.reading.formats import open_windows, read_raster


def save(folder: Path, data: bytes, name: str = "a.tif") -> Path:
    """Write bytes into a folder."""
    path = folder / name
    path.write_bytes(data)
    return path


def pixels_of(path: Path) -> np.ndarray:
    """The whole picture."""
    with open_windows(path) as windows:
        rows, cols, _ = windows.raster.shape
        return windows.window(Box(0, 0, rows, cols))


# --- outside checks: what our files are to others, and others' files to us


@pytest.mark.parametrize("made", [m for m in made_files() if m.name.endswith(".tif")], ids=lambda m: m.name)
def test_our_test_files_are_read_alike_by_tifffile(made, tmp_path: Path) -> None:
    path = made.write(tmp_path)
    with tifffile.TiffFile(path) as file:
        seen = file.pages[0].asarray()
        if file.pages[0].planarconfig == 2 and seen.ndim == 3:
            seen = np.moveaxis(seen, 0, 2)
        kind = file.pages[0].photometric
    seen = seen.reshape(HEIGHT, WIDTH, -1)
    if kind == 3 or made.bits == 1 or made.name.startswith(("premultiplied", "white")):
        assert seen.shape[:2] == made.color.shape[:2]
    else:
        assert abs(seen[..., : made.color.shape[2]].astype(int) - made.color.astype(int)).max() <= made.off


@pytest.mark.parametrize("compression", [None, "lzw", "deflate", "zstd", "packbits", "jpeg"])
@pytest.mark.parametrize("tile", [None, (32, 16)])
@pytest.mark.parametrize("order", ["<", ">"])
def test_files_of_tifffile(compression: str | None, tile: tuple[int, int] | None, order: str, tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    predictor = 2 if compression in ("lzw", "deflate", "zstd") else None
    options = {"compression": compression, "tile": tile, "predictor": predictor, "byteorder": order}
    tifffile.imwrite(path, scene(), photometric="rgb", resolution=(600, 600), resolutionunit=2, **options)
    assert read_raster(path).dpi == (600.0, 600.0)
    assert np.array_equal(pixels_of(path), tifffile.imread(path))


@pytest.mark.parametrize("compression", [None, "tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg"])
def test_files_of_pillow(compression: str | None, tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    Image.fromarray(scene()).save(path, compression=compression, dpi=(400, 400), icc_profile=rgb_profile())
    raster = read_raster(path)
    assert (raster.dpi, raster.icc) == ((400.0, 400.0), rgb_profile())
    with Image.open(path) as seen:
        # both decode with the same JPEG library, so that even the lossy file agrees to a code
        assert abs(pixels_of(path).astype(int) - np.asarray(seen.convert("RGB"))).max() <= 1


@pytest.mark.parametrize("compression", ["group3", "group4", "tiff_ccitt", "packbits"])
def test_line_art_of_pillow(compression: str, tmp_path: Path) -> None:
    ink = scene(1)[..., 0] > 128
    Image.fromarray(ink).save(tmp_path / "a.tif", compression=compression)
    raster = read_raster(tmp_path / "a.tif")
    assert (raster.bits, raster.dtype, raster.shape) == (1, "uint8", (HEIGHT, WIDTH, 1))
    assert np.array_equal(pixels_of(tmp_path / "a.tif")[..., 0], ink * np.uint8(255))


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_files_of_opencv(dtype: str, tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    cv2.imwrite(str(path), scene(3, dtype)[..., ::-1])
    assert np.array_equal(pixels_of(path), scene(3, dtype))


# --- the standard


def test_bigtiff_begins_as_its_design_says() -> None:
    # BigTIFF design: 49 49 2b 00 08 00 00 00 = little endian, 43, offsets of 8 bytes, constant 0
    assert tiff(scene(), Plan(big=True))[:8] == bytes.fromhex("49492b0008000000")


def test_a_page_has_the_bytes_arithmetic_says(tmp_path: Path) -> None:
    # 8.5 x 11.7 in at 600 dpi = 5100 x 7020 px, 34.1 MiB in gray and 8 bits
    pixels = np.full((7020, 5100, 1), 200, np.uint8)
    path = save(tmp_path, tiff(pixels, Plan(dpi=600, piece=7020)))
    rows, cols, channels = read_raster(path).shape
    assert rows * cols * channels / 2**20 == pytest.approx(34.1, abs=0.05)
    assert 0 < path.stat().st_size - rows * cols < 1024


@pytest.mark.parametrize(
    ("unit", "x", "want"),
    [
        (2, (300, 1), 300),
        (2, (6000000, 10000), 600),
        (2, (2999994, 10000), 300),  # the px per meter of a PNG, taken over
        (2, (299, 1), 299),
        (2, (3005, 10), 300.5),
        (3, (11811, 100), 300),  # per cm, rounded to two decimals by the writer
        (3, (23622, 100), 600),
        (1, (300, 1), None),  # no unit: a ratio only
        (2, (0, 1), None),
        (2, (300, 0), None),
        (2, (1, 1000), None),
        (2, (4000000000, 1), None),
        (9, (300, 1), None),
    ],
)
def test_density_is_as_tags_282_283_296_say(unit: int, x: tuple[int, int], want: float | None, tmp_path: Path) -> None:
    extra = {282: (5, x), 283: (5, x), 296: (3, [unit])}
    dpi = read_raster(save(tmp_path, tiff(scene(), Plan(extra=extra)))).dpi
    assert dpi == (None if want is None else (want, want))


def test_density_may_differ_by_axis_or_be_absent(tmp_path: Path) -> None:
    path = save(tmp_path, tiff(scene(), Plan(extra={283: (5, [600, 1])})))
    assert read_raster(path).dpi == (300.0, 600.0)
    path = save(tmp_path, tiff(scene(), Plan(extra={282: None, 283: None})))
    assert read_raster(path).dpi is None


def shown_by_the_standard(pixels: np.ndarray, turn: int) -> np.ndarray:
    """TIFF 6.0, tag 274, pixel by pixel: which visual side stored row 0 and stored column 0 are."""
    row_side, col_side = {
        1: "tl", 2: "tr", 3: "br", 4: "bl", 5: "lt", 6: "rt", 7: "rb", 8: "lb",
    }[turn]  # fmt: skip
    rows, cols = pixels.shape[:2]
    shown = np.empty((rows, cols, 3) if row_side in "tb" else (cols, rows, 3), pixels.dtype)
    height, width = shown.shape[:2]
    for r in range(rows):
        for c in range(cols):
            at = {"t": r, "b": height - 1 - r, "l": r, "r": width - 1 - r}[row_side]
            along = {"t": c, "b": height - 1 - c, "l": c, "r": width - 1 - c}[col_side]
            shown[(at, along) if row_side in "tb" else (along, at)] = pixels[r, c]
    return shown


@pytest.mark.parametrize("turn", range(1, 9))
@pytest.mark.parametrize("plan", [Plan(), Plan(compression=8, piece=(16, 32)), Plan(planar=2, compression=5)])
def test_all_eight_orientations(turn: int, plan: Plan, tmp_path: Path) -> None:
    extra = {274: (3, [turn]), 283: (5, [600, 1])}
    path = save(tmp_path, tiff(scene(), replace(plan, extra=extra)))
    want = shown_by_the_standard(scene(), turn)
    with open_windows(path) as windows:
        raster = windows.raster
        assert raster.shape == want.shape
        assert raster.dpi == ((300.0, 600.0) if turn < 5 else (600.0, 300.0))
        for box in blocks(*want.shape[:2], 19):
            assert np.array_equal(windows.window(box), want[box.slices])
        cells = cv2.resize(want[:48, :48], (6, 6), interpolation=cv2.INTER_AREA)
        view = windows.view(8)
        assert view.shape == (-(-want.shape[0] // 8), -(-want.shape[1] // 8), 3)
        assert abs(view[:6, :6].astype(int) - cells).max() <= 1
        corner = want[8 * (view.shape[0] - 1) :, 8 * (view.shape[1] - 1) :].reshape(-1, 3).mean(axis=0)
        assert abs(view[-1, -1] - corner).max() <= 0.51
    with Image.open(path) as seen:
        if plan.planar == 1:
            assert np.array_equal(np.asarray(ImageOps.exif_transpose(seen)), want)


@pytest.mark.parametrize("flag", [{254: (4, [1])}, {254: (4, [4])}, {255: (3, [2])}])
def test_reduced_views_and_masks_in_front_are_passed_over(flag: dict, tmp_path: Path) -> None:
    first = tiff(scene(height=9, width=9), Plan(extra=flag))
    place = len(first)
    # the second picture: its directory follows the first file, its pixels follow the directory
    base = {
        256: (4, [WIDTH]),
        257: (4, [HEIGHT]),
        258: (3, [8, 8, 8]),
        262: (3, [2]),
        277: (3, [3]),
        278: (4, [HEIGHT]),
    }
    size = len(directory(base | {273: (4, [0]), 279: (4, [0])}, place))
    second = directory(base | {273: (4, [place + size]), 279: (4, [HEIGHT * WIDTH * 3])}, place) + scene().tobytes()
    start = struct.unpack("<I", first[4:8])[0]
    link = start + 2 + 12 * struct.unpack("<H", first[start : start + 2])[0]
    path = save(tmp_path, first[:link] + struct.pack("<I", place) + first[link + 4 :] + second)
    assert np.array_equal(pixels_of(path), scene())


def test_missing_byte_counts_of_plain_strips_are_computed(tmp_path: Path) -> None:
    path = save(tmp_path, tiff(scene(), Plan(extra={279: None})))
    assert np.array_equal(pixels_of(path), scene())


def test_a_last_strip_may_be_padded_and_strips_may_lie_in_any_order(tmp_path: Path) -> None:
    plan = Plan(compression=8, piece=16)
    parts = cut(scene(), plan)
    parts[-1] = np.pad(parts[-1], ((0, 16 - len(parts[-1])), (0, 0), (0, 0)))
    pieces = [encoded(part, plan, 8) for part in parts]
    backward = pieces[::-1]
    starts = [8 + sum(map(len, backward[:k])) for k in range(len(pieces))][::-1]
    tags = {256: (4, [WIDTH]), 257: (4, [HEIGHT]), 258: (3, [8, 8, 8]), 259: (3, [8]), 262: (3, [2]), 277: (3, [3])}
    tags |= {278: (4, [16]), 273: (4, starts), 279: (4, [len(piece) for piece in pieces])}
    assert np.array_equal(pixels_of(save(tmp_path, assembled(tags, backward, (273, 279)))), scene())
