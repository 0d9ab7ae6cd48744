"""I read what the JPEG or JPEG 2000 inside a PDF page says of itself, where the page leaves it to it.

In: bytes of the codec. Out: samples, bits, size, and the profile it carries.

Reference: ISO 32000-2:2020, 7.4.9 (a JPEG 2000 states its own bits, and its colors where the page does not); ISO/IEC
15444-1:2019, A.5.1 (SIZ), I.5.3.3 (colr).
"""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path
from typing import Any

from stitchbed.reading.base.faults import SCAN_AS_RGB, unreadable
from stitchbed.reading.metadata.icc import checked_profile
from stitchbed.reading.metadata.losses import lossy
from stitchbed.reading.pdf.document import plain_bytes
from stitchbed.reading.pdf.picture import MOST_PLAIN, Colors, PdfPicture
from stitchbed.reading.stills.jpeg import embedded_profile, frame_of

SIZ = b"\xff\x4f\xff\x51"
MOST_BOXES = 64 * 2**10  # bytes of a JPEG 2000 file looked through for its headers


def self_said(path: Path, image: Any, picture: PdfPicture) -> PdfPicture:
    """The picture with what its own codec says.

    Raises
    ------
    UnreadableTile : the codec's header is missing, of another size, or of colors that are not read.
    """
    if picture.codec == "JPXDecode":
        return _jpeg2000(path, codec_bytes(image, picture), picture)
    if picture.colors.channels == 0:
        raise unreadable(path, "is damaged: its picture has no color space")
    if picture.codec != "DCTDecode" or picture.colors.icc is not None:
        return picture
    icc, notes = checked_profile(embedded_profile(codec_bytes(image, picture)), picture.colors.channels)
    return replace(picture, colors=replace(picture.colors, icc=icc, notes=(*picture.colors.notes, *notes)))


def lost_in(image: Any, picture: PdfPicture) -> tuple[str, ...]:
    """What the codec of a picture lost of it, in phrases."""
    if picture.codec == "JPXDecode":
        return ("JPEG 2000 is lossy unless its writer was told otherwise",)
    if picture.codec != "DCTDecode":
        return ()
    frame = frame_of(codec_bytes(image, picture))
    return lossy("the JPEG in it", bits=8, halved=frame is not None and frame.halved)


def codec_bytes(image: Any, picture: PdfPicture) -> bytes:
    """The codec's own data, plain filters round them undone."""
    return plain_bytes(image.read_raw_bytes(), [(name, None) for name in picture.packed[:-1]], MOST_PLAIN)


def _jpeg2000(path: Path, data: bytes, picture: PdfPicture) -> PdfPicture:
    at = data.find(SIZ, 0, MOST_BOXES)
    if at < 0 or at + 43 > len(data):
        raise unreadable(path, "is damaged: the JPEG 2000 in it has no header")
    right, bottom, left, top = struct.unpack(">4I", data[at + 8 : at + 24])
    (samples,) = struct.unpack(">H", data[at + 40 : at + 42])
    bits = (data[at + 42] & 0x7F) + 1
    if (bottom - top, right - left) != (picture.height, picture.width):
        raise unreadable(path, "is damaged: the JPEG 2000 in it has another size than the page says")
    channels = picture.colors.channels or samples
    if samples not in (1, 3) or (channels != samples and picture.colors.palette is None) or bits not in (8, 16):
        found = f"holds a JPEG 2000 picture of {samples} channels and {bits} bits"
        raise unreadable(path, found, attempt=SCAN_AS_RGB)
    icc, notes = (picture.colors.icc, ()) if picture.colors.icc else checked_profile(_colr(data[:at]), channels)
    colors = Colors(channels, picture.colors.palette, icc, (*picture.colors.notes, *notes))
    return replace(picture, samples=samples, bits=bits, colors=colors)


def _colr(boxes: bytes) -> bytes | None:
    """The profile of a color box of method 2 (a profile of its own), or None."""
    at = boxes.find(b"colr")
    if at < 4 or at + 7 > len(boxes) or boxes[at + 4] != 2:
        return None
    (size,) = struct.unpack(">I", boxes[at - 4 : at])
    return boxes[at + 7 : at - 4 + size]
