"""I read header and pixels of PNG files.

In: a path. Out: a `Header`, and bands of decoded rows.

Reference: ISO/IEC 15948 (PNG), chapters 5 and 11; the eXIf chunk of its 2017 extensions.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from stitchbed.scans.density import from_png
from stitchbed.scans.exif import read_exif
from stitchbed.scans.faults import AS_PLAIN_TIFF, check_size, telling, unreadable
from stitchbed.scans.header import Header
from stitchbed.scans.profile import MOST_BYTES, checked_profile
from stitchbed.scans.tile import Raster
from stitchbed.scans.turning import swapped

Pixels = NDArray[Any]

MAGIC = b"\x89PNG\r\n\x1a\n"
SAMPLES = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}  # color type -> stored samples
SMALL_CHUNKS = (b"iCCP", b"pHYs", b"eXIf", b"PLTE")
MOST_DEFLATED = 1033  # deflate never expands more than 1032 times (RFC 1951: 258 bytes from 2 bits)


@dataclass
class Chunks:
    """What was found walking the file: the header's numbers, small chunks by name, bytes of image data."""

    width: int = 0
    height: int = 0
    depth: int = 0
    kind: int = 0
    interlaced: bool = False
    found: dict[bytes, bytes] = field(default_factory=dict)
    transparent: bool = False
    data_bytes: int = 0
    ended: bool = False


def read_header(path: Path, max_pixels: int) -> Header:
    """What the chunks say; no pixel is decoded.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : damaged, cut off, too large, a kind that is not read here.
    """
    with telling(path, "reading its header"), open(path, "rb") as file:
        chunks = _walk(path, file, max_pixels)
    _check(path, chunks)
    turn, exif_dpi = read_exif(chunks.found[b"eXIf"]) if b"eXIf" in chunks.found else (1, None)
    dpi = _density(chunks.found.get(b"pHYs")) or exif_dpi
    color = 1 if chunks.kind in (0, 4) else 3
    icc, notes = _profile(chunks.found.get(b"iCCP"), color)
    alpha = chunks.kind in (4, 6) or chunks.transparent
    shape = (*swapped((chunks.height, chunks.width), turn), color)
    shown_dpi = None if dpi is None else swapped(dpi, turn)
    raster = Raster(shape, "uint16" if chunks.depth == 16 else "uint8", chunks.depth, icc, shown_dpi, False, alpha)
    return Header(raster, turn, False, chunks, notes)


def bands(path: Path, header: Header) -> Iterator[Pixels]:
    """Decoded rows (rows, width, samples) from top to bottom."""
    chunks: Chunks = header.layout
    with telling(path, "decoding it"):
        decoded = np.asarray(imagecodecs.png_decode(path.read_bytes()))
    yield decoded.reshape(chunks.height, chunks.width, -1)


def _walk(path: Path, file: IO[bytes], max_pixels: int) -> Chunks:
    size = file.seek(0, 2)
    chunks = Chunks()
    place = len(MAGIC)
    while place + 12 <= size:
        file.seek(place)
        length, name = struct.unpack(">I4s", file.read(8))
        if place == len(MAGIC) and (name != b"IHDR" or length != 13):
            raise unreadable(path, "is damaged: it does not begin with a PNG header")
        if place + 12 + length > size:
            what = name.decode("latin-1")
            raise unreadable(
                path, f"is cut off: its {what!r} part should end at byte {place + 12 + length:,} of {size:,}"
            )
        if name == b"IHDR":
            _take_header(chunks, file.read(13))
            check_size(path, chunks.height, chunks.width, max_pixels)
        elif name in SMALL_CHUNKS and length <= MOST_BYTES:
            chunks.found.setdefault(name, file.read(length))
        chunks.transparent |= name == b"tRNS"
        chunks.data_bytes += length if name == b"IDAT" else 0
        place += 12 + length
        if name == b"IEND":
            chunks.ended = True
            break
    return chunks


def _take_header(chunks: Chunks, data: bytes) -> None:
    chunks.width, chunks.height, chunks.depth, chunks.kind, _, _, interlace = struct.unpack(">IIBBBBB", data)
    chunks.interlaced = interlace == 1


def _check(path: Path, chunks: Chunks) -> None:
    """Refuse what cannot be decoded or is not whole."""
    if chunks.width == 0:
        raise unreadable(path, "is cut off: the PNG header is not whole")
    if not chunks.ended:
        raise unreadable(path, "is cut off: the end mark of a PNG (IEND) is missing")
    allowed = {0: (1, 8, 16), 2: (8, 16), 3: (1, 2, 4, 8), 4: (8, 16), 6: (8, 16)}
    if chunks.kind not in allowed or chunks.depth not in allowed[chunks.kind]:
        raise unreadable(
            path, f"is a PNG of {chunks.depth} bits per sample, color type {chunks.kind}", attempt=AS_PLAIN_TIFF
        )
    row = (chunks.width * SAMPLES[chunks.kind] * chunks.depth + 7) // 8 + 1
    if row * chunks.height > chunks.data_bytes * MOST_DEFLATED + 64:
        raise unreadable(
            path, f"is damaged: {chunks.data_bytes:,} bytes of image data cannot hold {chunks.height:,} rows"
        )


def _density(data: bytes | None) -> tuple[float, float] | None:
    if data is None or len(data) != 9:
        return None
    x, y, unit = struct.unpack(">IIB", data)
    return from_png(x, y) if unit == 1 else None


def _profile(data: bytes | None, channels: int) -> tuple[bytes | None, tuple[str, ...]]:
    """The profile of an iCCP chunk: name, 0, method 0, then deflated; never inflated beyond a ceiling."""
    if data is None:
        return None, ()
    _, _, packed = data[:81].partition(b"\0")
    start = len(data[:81]) - len(packed) + 1
    inflater = zlib.decompressobj()
    try:
        icc = inflater.decompress(data[start:], MOST_BYTES)
    except zlib.error:
        return None, ("its color profile is ignored: it is damaged",)
    if not inflater.eof:
        return None, ("its color profile is ignored: it is cut off or far too large",)
    return checked_profile(icc, channels)
