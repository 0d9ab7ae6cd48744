"""I read header and pixels of WebP files.

In: a path. Out: a `Header`, and bands of decoded rows.

Reference: RFC 9649 (2024), sections 2.3-2.7.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import imagecodecs
import numpy as np

from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.faults import check_size, telling, unreadable
from stitchbed.reading.base.header import Header
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.metadata.exif import read_exif
from stitchbed.reading.metadata.icc import MOST_BYTES, checked_profile
from stitchbed.reading.metadata.losses import lossy
from stitchbed.reading.views.orientation import swapped

MOST_GROWTH = 65_536  # px per byte: a lossless white page of 16,000 x 16,000 px has 26,000 (tried), nothing more


@dataclass
class Parts:
    """What was found walking the file."""

    width: int = 0
    height: int = 0
    alpha: bool = False
    animated: bool = False
    lossless: bool = False
    found: dict[bytes, bytes] = field(default_factory=dict)
    data_bytes: int = 0


def read_header(path: Path, max_pixels: int) -> Header:
    """What the chunks say; no pixel is decoded.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : damaged, cut off, moving, too large.
    """
    with telling(path, "reading its header"), path.open("rb") as file:
        parts = _walk(path, file)
    if parts.animated:
        raise unreadable(path, "is a moving WebP picture", expected="a still picture")
    if parts.data_bytes == 0:
        raise unreadable(path, "is a WebP file without a picture in it")
    check_size(path, (parts.height, parts.width), max_pixels=max_pixels)
    if parts.height * parts.width > parts.data_bytes * MOST_GROWTH:
        found = f"is damaged: {parts.data_bytes:,} bytes cannot hold {parts.width:,} x {parts.height:,} px"
        raise unreadable(path, found)
    exif = parts.found.get(b"EXIF", b"")
    turn, dpi = read_exif(exif.removeprefix(b"Exif\0\0"))
    icc, notes = checked_profile(parts.found.get(b"ICCP"), 3)
    shape = (*swapped((parts.height, parts.width), turn), 3)
    shown_dpi = None if dpi is None else swapped(dpi, turn)
    lost = () if parts.lossless else lossy("WebP", bits=8, halved=True)
    return Header(Raster(shape, "uint8", 8, icc, shown_dpi, False, parts.alpha, lost=lost), turn, False, parts, notes)


def at_once(header: Header) -> int:
    """Bytes decoding takes: all pixels, and four bytes for each within the decoder."""
    parts: Parts = header.layout
    return parts.height * parts.width * (4 + 3 + parts.alpha)


def bands(path: Path, header: Header) -> Iterator[Pixels]:
    """Decoded rows (rows, width, samples) from top to bottom."""
    parts: Parts = header.layout
    with telling(path, "decoding it"):
        decoded = np.asarray(imagecodecs.webp_decode(path.read_bytes(), hasalpha=parts.alpha))
    yield decoded.reshape(parts.height, parts.width, 4 if parts.alpha else 3)


def _walk(path: Path, file: IO[bytes]) -> Parts:
    size = file.seek(0, 2)
    file.seek(4)
    claimed = struct.unpack("<I", file.read(4))[0] + 8
    if claimed > size:
        raise unreadable(path, f"is cut off: it should have {claimed:,} bytes and has {size:,}")
    parts = Parts()
    place = 12
    while place + 8 <= claimed:
        file.seek(place)
        name, length = struct.unpack("<4sI", file.read(8))
        if place + 8 + length > size:
            raise unreadable(path, f"is cut off: its {name.decode('latin-1')!r} part ends behind the file")
        _take(parts, name, length, file.read(min(length, MOST_BYTES if name in (b"ICCP", b"EXIF") else 30)))
        place += 8 + length + length % 2
    return parts


def _take(parts: Parts, name: bytes, length: int, data: bytes) -> None:
    if name == b"VP8X" and len(data) >= 10:
        parts.alpha, parts.animated = bool(data[0] & 0x10), bool(data[0] & 0x02)
    elif name == b"VP8 " and len(data) >= 10 and data[3:6] == b"\x9d\x01\x2a":
        parts.width, parts.height = (value & 0x3FFF for value in struct.unpack("<HH", data[6:10]))
        parts.data_bytes = length
    elif name == b"VP8L" and len(data) >= 5 and data[0] == 0x2F:
        bits = struct.unpack("<I", data[1:5])[0]
        parts.width, parts.height = (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
        parts.lossless = True
        parts.alpha |= bool(bits >> 28 & 1)
        parts.data_bytes = length
    elif name in (b"ICCP", b"EXIF"):
        parts.found.setdefault(name, data)
