"""I give every command a file of 100 KB that claims 10 gigapixels (or as many as its format can say): each refuses it
from the header, in under a second of its own work and under 200 MB in all.
"""

from __future__ import annotations

import struct
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from bad_tiffs import jpeg_of_size
from heif_files import avif, heic
from jxl_files import Writer, jxl
from pdf_bytes import RGB, PdfPage, pdf
from peak_memory import run_measured
from picture_files import scene
from png_bytes import MAGIC, chunk, header
from raw_files import dng, smooth, with_tag
from small_jobs import JOBS, READERS
from tiff_bytes import Plan, tiff

from stitchbed.core.errors import StitchbedError
from stitchbed.reading.formats import FORMATS, open_windows, read_raster

SIDE = 100_000  # px: 10 gigapixels
BYTES = 100_000


def _tiff(big: bool = False) -> bytes:
    return tiff(scene(1, height=250, width=400), Plan(big=big, extra={256: (4, [SIDE]), 257: (4, [SIDE])}))


def _png(interlace: int) -> bytes:
    data = chunk(b"IDAT", bytes(BYTES - 100))
    return MAGIC + header(SIDE, SIDE, 8, 2, interlace) + data + chunk(b"IEND", b"")


def _jpeg() -> bytes:
    """4.3 gigapixels: a side has 16 bits."""
    whole = jpeg_of_size(65535, 65535)
    return whole[:-2] + bytes(BYTES - len(whole)) + whole[-2:]


def _webp() -> bytes:
    """.27 gigapixels in a simple file, a side has 14 bits; the extended header has 24, so it can claim 10."""
    canvas = struct.pack("<I", SIDE - 1)[:3] * 2
    body = (
        b"WEBP" + b"VP8X" + struct.pack("<II", 10, 0)[:8] + canvas + b"VP8L" + struct.pack("<I", BYTES) + bytes(BYTES)
    )
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _heif(whole: bytes) -> bytes:
    """The size its container states (ispe) is changed."""
    whole = whole.replace(b"clap", b"free")
    at = whole.index(b"ispe") + 8
    return (whole[:at] + struct.pack(">II", SIDE, SIDE) + whole[at + 8 :]).ljust(BYTES, b"\0")


def _jxl() -> bytes:
    head = Writer().put(0).put(3, 2).put(SIDE - 1, 30).put(1, 3).put(1).bytes()
    return (b"\xff\x0a" + head + jxl(scene())[7:]).ljust(BYTES, b"\0")


CLAIMS: dict[str, tuple[str, Callable[[], bytes]]] = {
    "TIFF": ("claim.tif", _tiff),
    "BigTIFF": ("claim-big.tif", lambda: _tiff(big=True)),
    "PNG": ("claim.png", lambda: _png(0)),
    "PNG-woven": ("claim-woven.png", lambda: _png(1)),
    "JPEG": ("claim.jpg", _jpeg),
    "PDF": ("claim.pdf", lambda: pdf([PdfPage((SIDE, SIDE), f"{RGB} /Filter /FlateDecode", bytes(BYTES - 500))])),
    "HEIF": ("claim.heic", lambda: _heif(heic([scene()]))),
    "HEIF-AV1": ("claim.avif", lambda: _heif(avif(scene()))),
    "JPEG XL": ("claim.jxl", _jxl),
    "raw": ("claim.dng", lambda: with_tag(with_tag(dng(smooth()), 256, SIDE), 257, SIDE).ljust(BYTES, b"\0")),
    "WebP": ("claim.webp", _webp),
}

COMMAND = """
import sys, time
import stitchbed.cli
from stitchbed.core.errors import StitchbedError
import importlib
importlib.import_module("stitchbed.pipelines." + sys.argv[1])
begun = time.process_time()
try:
    stitchbed.cli.stitchbed.main(sys.argv[2:], standalone_mode=False)
    print("done")
except StitchbedError as error:
    print(type(error).__name__)
print(time.process_time() - begun)
"""
PIPELINE = {"join-two": "join"}


def _claim(folder: Path, kind: str) -> Path:
    name, made = CLAIMS[kind]
    path = folder / name
    path.write_bytes(made())
    assert 99_000 < path.stat().st_size < 106_000
    return path


def test_every_format_is_asked() -> None:
    assert {kind.replace("Big", "").split("-")[0] for kind in CLAIMS} == set(FORMATS)


@pytest.mark.parametrize("kind", CLAIMS)
def test_every_reader_refuses_from_the_header(kind: str, tmp_path: Path) -> None:
    path = _claim(tmp_path, kind)
    for look in (read_raster, open_windows):
        with pytest.raises(StitchbedError) as caught:
            look(path)
        assert path.name in caught.value.found


@pytest.mark.skipif(sys.platform == "win32", reason="peak memory is read from the system's own counters")
@pytest.mark.parametrize("name", READERS)
def test_every_command_refuses_within_its_means(name: str, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    job = JOBS[name](tmp_path / "in")
    words = [word.replace("OUT", str(tmp_path)) for word in job.swap(_claim(tmp_path, "TIFF"))]
    said, peak = run_measured(COMMAND, PIPELINE.get(name, name.split("-")[0]), *words)
    *text, end, seconds = said
    if name == "check":  # goes on with the others, and says so
        assert end == "done" and any("claim.tif" in word for word in text)
    else:
        assert end in ("CanvasTooLarge", "UnreadableTile")
    print(f"{name}: {float(seconds):.3f} s, {peak:.0f} MiB")
    assert float(seconds) < 1.0
    assert peak < 200  # MiB; nearly all of it the program with its libraries
