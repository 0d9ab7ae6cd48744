"""I put segments into JPEG files and boxes into WebP files, right or wrong on purpose.

In: an encoded picture and what it should say. Out: bytes. Reference: ITU-T T.81 and T.871, RFC 9649.
"""

from __future__ import annotations

import struct

import imagecodecs
import numpy as np
from tiff_bytes import Field, assembled


def segment(marker: int, content: bytes) -> bytes:
    """One segment with its length."""
    return struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content


def jfif(unit: int, x: int, y: int) -> bytes:
    """An APP0 segment stating a density: unit 1 per inch, 2 per cm."""
    return segment(0xE0, b"JFIF\0" + struct.pack(">HBHHBB", 0x0102, unit, x, y, 0, 0))


def exif(*, turn: int | None = None, dpi: float | None = None, order: str = "<") -> bytes:
    """The content of an EXIF segment, a small TIFF."""
    tags: dict[int, Field | None] = {} if turn is None else {274: (3, [turn])}
    if dpi is not None:
        tags |= {282: (5, [round(dpi * 100), 100]), 283: (5, [round(dpi * 100), 100]), 296: (3, [2])}
    return assembled(tags | {273: None, 279: None, 305: (2, b"test\0")}, [], (273, 279), order=order)


def profile_segments(icc: bytes, part: int = 65519) -> bytes:
    """APP2 segments with a profile, in as many parts as it takes (ICC.1:2022, B.4)."""
    parts = [icc[at : at + part] for at in range(0, len(icc), part)]
    return b"".join(
        segment(0xE2, b"ICC_PROFILE\0" + bytes([number, len(parts)]) + data) for number, data in enumerate(parts, 1)
    )


def jpeg(pixels: np.ndarray, *segments: bytes, subsampling: str = "444", level: int = 95) -> bytes:
    """A JPEG of (h, w, 1 or 3) uint8 that holds only `segments` before its tables."""
    flat = np.ascontiguousarray(pixels[..., 0] if pixels.shape[2] == 1 else pixels)
    data = bytes(imagecodecs.jpeg8_encode(flat, level=level, subsampling=subsampling))
    bare = data[2:]
    while bare[1] in (0xE0, 0xEE):  # the encoder's own JFIF segment
        bare = bare[2 + struct.unpack(">H", bare[2:4])[0] :]
    return b"\xff\xd8" + b"".join(segments) + bare


def box(name: bytes, content: bytes) -> bytes:
    """One chunk of a RIFF file."""
    return struct.pack("<4sI", name, len(content)) + content + b"\0" * (len(content) % 2)


def webp(pixels: np.ndarray, *, icc: bytes | None = None, exif_data: bytes | None = None) -> bytes:
    """A lossless WebP of (h, w, 3 or 4) uint8, with the boxes of an extended file when there is something to say."""
    plain = bytes(imagecodecs.webp_encode(np.ascontiguousarray(pixels), lossless=True))
    if icc is None and exif_data is None:
        return plain
    flags = (0x20 if icc else 0) | (0x08 if exif_data else 0) | (0x10 if pixels.shape[2] == 4 else 0)
    size = struct.pack("<I", pixels.shape[1] - 1)[:3] + struct.pack("<I", pixels.shape[0] - 1)[:3]
    body = box(b"VP8X", bytes([flags, 0, 0, 0]) + size)
    body += box(b"ICCP", icc) if icc else b""
    start = plain.index(b"VP8L")
    body += plain[start:]
    body += box(b"EXIF", exif_data) if exif_data else b""
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WEBP" + body
