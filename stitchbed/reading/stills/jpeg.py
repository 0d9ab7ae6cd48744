"""I read header and pixels of JPEG files.

In: a path. Out: a `Header`, and bands of decoded rows.

Reference: ITU-T T.81 (1992) for markers; T.871 for JFIF; ICC.1:2022 annex B.4 for profiles in APP2.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import imagecodecs
import numpy as np

from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.faults import AS_PLAIN_TIFF, check_size, telling, unreadable
from stitchbed.reading.base.header import Header
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.metadata.density import from_jfif
from stitchbed.reading.metadata.exif import Dpi, made_by_camera, read_exif
from stitchbed.reading.metadata.icc import checked_profile
from stitchbed.reading.metadata.losses import lossy
from stitchbed.reading.views.orientation import swapped

FRAMES = (0xC0, 0xC1, 0xC2, 0xC3, 0xC5, 0xC6, 0xC7, 0xC9, 0xCA, 0xCB, 0xCD, 0xCE, 0xCF)
SCAN = 0xDA


@dataclass(frozen=True)
class JpegFrame:
    """process : 0 baseline, 1 extended, 2 progressive, 3 lossless, above that rarer ones.

    halved : colors have less resolution than brightness.
    """

    height: int
    width: int
    bits: int
    components: int
    process: int
    halved: bool = field(default=False, compare=False)


def segments(data: bytes, limit: int = 10_000) -> Iterator[tuple[int, int, int]]:
    """(marker, start, end) of each segment's content up to and with the first scan's header."""
    place = 2
    for _ in range(limit):
        while place + 1 < len(data) and data[place] == 0xFF and data[place + 1] == 0xFF:
            place += 1
        if place + 4 > len(data) or data[place] != 0xFF:
            return
        marker = data[place + 1]
        size = struct.unpack(">H", data[place + 2 : place + 4])[0]
        if size < 2:
            return
        yield marker, place + 4, place + 2 + size
        if marker == SCAN:
            return
        place += 2 + size


def frame_of(data: bytes) -> JpegFrame | None:
    """The frame header, or None when there is none before the first scan."""
    if data[:2] != b"\xff\xd8":
        return None
    for marker, start, end in segments(data):
        if marker in FRAMES and min(end, len(data)) - start >= 6:
            bits, height, width, components = struct.unpack(">BHHB", data[start : start + 6])
            factors = data[start + 7 : start + 6 + 3 * components : 3]  # of each component, across and down
            halved = components == 3 and len(set(factors)) > 1
            return JpegFrame(height, width, bits, components, marker - 0xC0, halved)
    return None


MAGIC = b"\xff\xd8\xff"
LONGEST_SIDE = 65500  # px; the decoder's own limit, the standard's is 65535
MOST_GROWTH = 1024  # px per byte: a block of 64 px needs a bit, colors at a quarter of the size save half of that
END = b"\xff\xd9"


def read_header(path: Path, max_pixels: int) -> Header:
    """What the segments before the first scan say; no pixel is decoded.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : damaged, cut off, too large, a kind that is not read here.
    """
    with telling(path, "reading its header"):
        data = path.read_bytes()  # not mapped into memory: a file made shorter meanwhile would end the process
        frame = _checked_frame(path, data, max_pixels)
        jfif, exif, icc = _said(data)
        lost = lossy("JPEG", bits=8, halved=frame.halved, camera=_by_camera(data))
    turn, exif_dpi = exif
    color = frame.components
    profile, notes = checked_profile(icc, color)
    dpi = jfif or exif_dpi
    shape = (*swapped((frame.height, frame.width), turn), color)
    shown_dpi = None if dpi is None else swapped(dpi, turn)
    return Header(Raster(shape, "uint8", 8, profile, shown_dpi, False, lost=lost), turn, False, frame, notes)


def at_once(header: Header) -> int:
    """Bytes decoding takes: all pixels, and of a progressive picture its coefficients (16 bits) besides."""
    frame: JpegFrame = header.layout
    return frame.height * frame.width * frame.components * (3 if frame.process == 2 else 1)


def bands(path: Path, header: Header) -> Iterator[Pixels]:
    """Decoded rows (rows, width, samples) from top to bottom."""
    frame: JpegFrame = header.layout
    with telling(path, "decoding it"):
        decoded = np.asarray(imagecodecs.jpeg8_decode(path.read_bytes()))
    yield decoded.reshape(frame.height, frame.width, frame.components)


def _checked_frame(path: Path, data: bytes, max_pixels: int) -> JpegFrame:
    frame = frame_of(data)
    if frame is None:
        raise unreadable(path, "is cut off or damaged: a JPEG without a frame header")
    if frame.height == 0:
        raise unreadable(path, "is a JPEG that states no height", attempt=AS_PLAIN_TIFF)
    check_size(path, (frame.height, frame.width), max_pixels=max_pixels)
    if max(frame.height, frame.width) > LONGEST_SIDE:
        raise unreadable(path, f"is {frame.width:,} x {frame.height:,} px, a JPEG longer than {LONGEST_SIDE:,} px")
    if frame.components == 4:
        raise unreadable(path, "is a JPEG in CMYK or another space of four inks", attempt=AS_PLAIN_TIFF)
    if frame.bits != 8 or frame.components not in (1, 3) or frame.process > 2:
        found = f"is a JPEG of a kind that is not read here ({frame.bits} bits, {frame.components} channels)"
        raise unreadable(path, found, attempt=AS_PLAIN_TIFF)
    scan = next((end for marker, _, end in segments(data) if marker == SCAN), None)
    if scan is None or data.find(END, scan) < 0:
        raise unreadable(path, "is cut off: the end mark of a JPEG is missing")
    if frame.height * frame.width > (len(data) - scan) * MOST_GROWTH:
        raise unreadable(path, f"is damaged: {len(data):,} bytes cannot hold {frame.width:,} x {frame.height:,} px")
    return frame


def _said(data: bytes) -> tuple[Dpi, tuple[int, Dpi], bytes | None]:
    """JFIF density, EXIF (orientation, density), and the profile."""
    jfif: Dpi = None
    exif: tuple[int, Dpi] = (1, None)
    for marker, start, end in segments(data):
        if marker == 0xE0 and data[start : start + 5] == b"JFIF\0" and end - start >= 12:
            jfif = from_jfif(*struct.unpack(">BHH", data[start + 7 : start + 12]))
        elif marker == 0xE1 and data[start : start + 6] == b"Exif\0\0":
            exif = read_exif(data[start + 6 : end])
    return jfif, exif, embedded_profile(data)


def _by_camera(data: bytes) -> bool:
    """Whether its EXIF names a maker."""
    return any(
        marker == 0xE1 and data[start : start + 6] == b"Exif\0\0" and made_by_camera(data[start + 6 : end])
        for marker, start, end in segments(data)
    )


def embedded_profile(data: bytes) -> bytes | None:
    """The profile put together from its numbered parts, or None."""
    parts: dict[int, bytes] = {}
    for marker, start, end in segments(data):
        if marker == 0xE2 and data[start : start + 12] == b"ICC_PROFILE\0" and end - start > 14:
            parts[data[start + 12]] = data[start + 14 : end]
    return b"".join(parts[number] for number in sorted(parts)) or None
