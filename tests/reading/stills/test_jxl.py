"""I check JPEG XL: headers read bit by bit against a second writer of them, and against the decoder.

Reference: ISO/IEC 18181-1:2024, annexes D.2 (size), D.3 (metadata), E.2 (color encoding).
"""

from __future__ import annotations

import struct
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from jpeg_bytes import exif
from jxl_files import Writer, contained, jxl, recolored
from picture_files import scene

from stitchbed.core.errors import CanvasTooLarge, UnreadableTile
from stitchbed.imaging.box import Box
from stitchbed.reading.base.header import Header
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.formats import open_windows, read_raster
from stitchbed.reading.metadata.cicp import Coded
from stitchbed.reading.stills.jxl import BARE, CONTAINER, at_once, bands, begins, read_header


def whole(path: Path) -> np.ndarray:
    """All pixels of a picture."""
    with open_windows(path) as windows:
        rows, cols, _ = windows.raster.shape
        return windows.window(Box(0, 0, rows, cols))


SIZES = [(8, 8), (256, 256), (53, 71), (600, 800), (90, 160), (40, 3), (3, 5000), (1080, 1920)]


@pytest.mark.parametrize("kind", ["gray", "color", "alpha", "deep", "lossy"])
def test_headers_say_what_was_coded(kind: str, tmp_path: Path) -> None:
    samples = {"gray": 1, "alpha": 4}.get(kind, 3)
    for size in SIZES:
        pixels = np.zeros((*size, samples), np.uint16 if kind == "deep" else np.uint8)
        (tmp_path / "a.jxl").write_bytes(jxl(pixels, lossless=kind != "lossy", effort=1))
        raster = read_raster(tmp_path / "a.jxl")
        assert raster.shape == (*size, 1 if kind == "gray" else 3)
        assert (raster.alpha, raster.bits) == (kind == "alpha", 16 if kind == "deep" else 8)
        assert bool(raster.lost) == (kind == "lossy")


@pytest.mark.parametrize(("turn", "seen"), [(3, 2), (6, -1), (8, 1)])
def test_it_is_seen_as_its_header_turns_it(turn: int, seen: int, tmp_path: Path) -> None:
    (tmp_path / "a.jxl").write_bytes(recolored(jxl(scene()), 1, 13, turn))
    assert np.array_equal(whole(tmp_path / "a.jxl"), np.rot90(scene(), seen))


@pytest.mark.parametrize(("primaries", "transfer", "coded"), [(11, 13, (12, 13)), (9, 1, (9, 1)), (1, 8, (1, 8))])
def test_wide_gamut_and_curve_are_kept_as_a_profile(
    primaries: int, transfer: int, coded: tuple[int, int], tmp_path: Path
) -> None:
    data = recolored(jxl(scene()), primaries, transfer)
    assert np.array_equal(imagecodecs.jpegxl_decode(data), scene())  # the decoder takes the header we wrote
    (tmp_path / "a.jxl").write_bytes(data)
    assert read_raster(tmp_path / "a.jxl").icc == Coded(*coded).profile(3)
    assert np.array_equal(whole(tmp_path / "a.jxl"), scene())


def found(folder: Path, data: bytes) -> Header:
    """What the header of a file says."""
    (folder / "a.jxl").write_bytes(data)
    return read_header(folder / "a.jxl", 10_000)


def small(**said: object) -> bytes:
    """A codestream of 9 x 7 px."""
    return jxl(scene(height=7, width=9), **said)


def test_beginnings() -> None:
    assert begins(BARE + b"more") and begins(contained(b"")[:12])
    assert not begins(b"\xff\x0b") and not begins(CONTAINER[:11]) and not begins(b"\0" + BARE)


def test_the_header_of_a_small_picture(tmp_path: Path) -> None:
    header = found(tmp_path, small())
    assert (header.orientation, header.associated, header.notes) == (1, False, ())
    assert header.raster == Raster((7, 9, 3), "uint8", 8, None, None, False)
    assert at_once(header) == 7 * 9 * 3 * 14
    assert np.array_equal(next(bands(tmp_path / "a.jxl", header)), scene(height=7, width=9))
    with pytest.raises(CanvasTooLarge):
        read_header(tmp_path / "a.jxl", 62)


def box(kind: bytes, content: bytes, *, long: bool = False) -> bytes:
    """A box with its size in 32 bits, or in 64."""
    if long:
        return struct.pack(">I4sQ", 1, kind, 16 + len(content)) + content
    return struct.pack(">I4s", 8 + len(content), kind) + content


def test_a_codestream_is_found_in_any_kind_of_box(tmp_path: Path) -> None:
    code = small()
    endless = struct.pack(">I4s", 0, b"jxlc") + code
    parts = box(b"jxlp", bytes(4) + code[:5]) + box(b"jxlp", b"\x80\0\0\1" + code[5:])
    for body in (box(b"jxlc", code, long=True), endless, parts, box(b"free", bytes(50)) + box(b"jxlc", code)):
        assert found(tmp_path, CONTAINER + body).raster.shape == (7, 9, 3)
    (tmp_path / "a.jxl").write_bytes(contained(code))
    assert np.array_equal(whole(tmp_path / "a.jxl"), scene(height=7, width=9))
    with pytest.raises(UnreadableTile, match="without a codestream"):
        found(tmp_path, CONTAINER + box(b"free", code))
    with pytest.raises(UnreadableTile, match="its 'jxlc' part ends behind the file"):
        found(tmp_path, CONTAINER + box(b"jxlc", code)[:-1])
    with pytest.raises(UnreadableTile, match="ends behind the file"):
        found(tmp_path, CONTAINER + struct.pack(">I4s", 7, b"free") + bytes(40))


@pytest.mark.parametrize("before", [0, 6])
def test_density_is_read_from_where_exif_begins(before: int, tmp_path: Path) -> None:
    density = box(b"Exif", struct.pack(">I", before) + bytes(before) + exif(dpi=600))
    assert found(tmp_path, CONTAINER + density + box(b"jxlc", small())).raster.dpi == (600.0, 600.0)
    assert found(tmp_path, CONTAINER + box(b"Exif", bytes(7)) + box(b"jxlc", small())).raster.dpi is None


def header_of(
    depth: tuple[int, ...] = (0, 0), color: tuple[tuple[int, int], ...] = ((1, 1),), moving: bool = False
) -> bytes:
    """A bare header of 9 x 7 px; depth : (floating, way, more); color : numbers and the bits they take."""
    bits = Writer().put(0).put(0, 2).put(6, 9).put(0, 3).put(0, 2).put(8, 9).put(0).put(moving)
    if moving:
        bits.put(0, 3).put(0).put(0).put(1).put(0, 2).put(0, 2).put(0, 2).put(0)
    bits.put(depth[0]).put(depth[1], 2)
    if len(depth) > 2:
        bits.put(depth[2], 6 if depth[0] == 0 else 4)
    bits.put(1).put(0, 2).put(0)
    for value, count in color:
        bits.put(value, count)
    return BARE + bits.bytes() + bytes(9)


PQ = ((0, 1), (0, 1), (0, 2), (1, 2), (2, 2), (7, 4), (0, 1), (2, 2), (14, 4))
GAMMA = ((0, 1), (0, 1), (0, 2), (1, 2), (1, 2), (1, 1), (4_545_455, 24))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (header_of(moving=True), "is a moving"),
        (header_of((1, 1, 4)), "of 16 bits in floating point"),
        (header_of((0, 3, 16)), "of 17 bits in whole numbers"),
        (header_of(color=((0, 1), (1, 1), (0, 2))), "with a color profile packed in it"),
        (header_of(color=GAMMA), "with primaries or a curve of its own"),
        (header_of(color=PQ), r"high dynamic range \(PQ\)"),
        (BARE, "header"),
    ],
)
def test_kinds_that_are_not_read_are_named(data: bytes, words: str, tmp_path: Path) -> None:
    with pytest.raises(UnreadableTile, match=words):
        found(tmp_path, data)
    assert found(tmp_path, header_of((0, 3, 15))).raster.bits == 16


def test_what_is_decoded_must_be_what_the_header_said(tmp_path: Path) -> None:
    header = found(tmp_path, small())
    (tmp_path / "a.jxl").write_bytes(jxl(scene(height=9, width=7)))
    with pytest.raises(UnreadableTile, match="holds 7 x 9 px of uint8"):
        next(bands(tmp_path / "a.jxl", header))
    (tmp_path / "a.jxl").write_bytes(jxl(scene(3, "uint16", height=7, width=9)))
    with pytest.raises(UnreadableTile, match="px of uint16"):
        next(bands(tmp_path / "a.jxl", header))


def test_further_channels_are_told_and_left_out(tmp_path: Path) -> None:
    planes = np.arange(3 * 7 * 9, dtype=np.uint8).reshape(3, 7, 9)
    header = found(tmp_path, jxl(planes, planar=True))
    said = header.layout
    assert (header.raster.shape, said.alpha + said.extra) == ((7, 9, 1), 2)
    assert header.notes == (f"{said.extra} further channel(s) beside color and alpha are not used",)
    assert at_once(header) == 7 * 9 * 3 * 14
