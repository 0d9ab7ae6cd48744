"""I read header and pixels of JPEG XL files, bare or in a container.

In: a path. Out: a `Header`, and the picture as one band.

Reference: ISO/IEC 18181-1:2024 (codestream), 18181-2:2024 (container: boxes jxlc, jxlp, Exif).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import imagecodecs
import numpy as np

from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.faults import AS_PLAIN_TIFF, check_growth, check_size, telling, unreadable
from stitchbed.reading.base.header import Header
from stitchbed.reading.base.samples import stretched
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.metadata.exif import Dpi, read_exif
from stitchbed.reading.metadata.jxl_bits import JxlHeader, jxl_header
from stitchbed.reading.metadata.losses import lossy

BARE = b"\xff\x0a"
CONTAINER = b"\0\0\0\x0cJXL \r\n\x87\n"
MOST_GROWTH = 8192  # px per byte: a blank page has 3,400 (tried)
HEAD_BYTES = 4096  # of the codestream; its header takes a few dozen, with long names of channels some hundred
MOST_BOXES = 10_000


@dataclass
class _Found:
    """What lies in the file: the beginning of the codestream, EXIF."""

    head: bytes = b""
    exif: bytes = b""
    stored: int = 0


def begins(head: bytes) -> bool:
    """Whether a file is JPEG XL, by its first 12 bytes."""
    return head.startswith((BARE, CONTAINER))


def read_header(path: Path, max_pixels: int) -> Header:
    """What the codestream says; no pixel is decoded.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : damaged, too large, moving, floating point, a packed profile, high dynamic range.
    """
    with telling(path, "reading its header"):
        found = _found(path, path.read_bytes())
        if not found.head.startswith(BARE):
            raise unreadable(path, "is damaged: a JPEG XL without a codestream")
        said = jxl_header(found.head[len(BARE) :])
    check_size(path, (said.height, said.width), max_pixels=max_pixels)
    check_growth(path, (said.height, said.width), found.stored, MOST_GROWTH)
    _refuse(path, said)
    notes = (f"{said.extra} further channel(s) beside color and alpha are not used",) if said.extra else ()
    coded = said.coded
    icc = None if coded is None or coded.plain else coded.profile(said.channels)
    shape = (said.height, said.width, said.channels)
    dtype = "uint16" if said.bits > 8 else "uint8"
    lost = lossy("JPEG XL", bits=said.bits) if said.lossy else ()
    raster = Raster(shape, dtype, said.bits, icc, _dpi(found.exif), False, said.alpha, lost=lost)
    return Header(raster, 1, said.associated, said, notes)


def at_once(header: Header) -> int:
    """Bytes decoding takes: the decoder holds up to three times 4 bytes for each sample beside what it hands out."""
    said: JxlHeader = header.layout
    return said.height * said.width * (said.channels + said.alpha + said.extra) * 14


def bands(path: Path, header: Header) -> Iterator[Pixels]:
    """The picture as one band (rows, width, samples), turned as it is shown."""
    said: JxlHeader = header.layout
    with telling(path, "decoding it"):
        decoded = np.asarray(imagecodecs.jpegxl_decode(path.read_bytes()))
    samples = said.channels + said.alpha
    decoded = decoded.reshape(*decoded.shape[:2], -1)[..., :samples]
    if decoded.shape != (said.height, said.width, samples) or decoded.dtype != header.raster.dtype:
        raise unreadable(path, f"is damaged: it holds {decoded.shape[1]} x {decoded.shape[0]} px of {decoded.dtype}")
    yield stretched(decoded, said.bits)


def _refuse(path: Path, said: JxlHeader) -> None:
    """Kinds that are not read here."""
    if said.moving:
        raise unreadable(path, "is a moving JPEG XL picture", expected="a still picture")
    if said.floating or said.bits > 16:
        kind = "floating point" if said.floating else "whole numbers"
        raise unreadable(path, f"is a JPEG XL of {said.bits} bits in {kind}", attempt=AS_PLAIN_TIFF)
    if said.coded is None:
        what = "a color profile packed in it" if said.profiled else "primaries or a curve of its own"
        raise unreadable(path, f"is a JPEG XL with {what}, which is not read here", attempt="save it as TIFF or PNG")
    if not said.coded.known:
        raise unreadable(path, f"is in {said.coded.words}", expected="a picture in standard range")


def _found(path: Path, data: bytes) -> _Found:
    """Walk the boxes (18181-2, 4): sizes of 32 bits, of 64 when that is 1, up to the end when it is 0."""
    if data.startswith(BARE):
        return _Found(data[:HEAD_BYTES], stored=len(data))
    found, place = _Found(), len(CONTAINER)
    for _ in range(MOST_BOXES):
        if place + 8 > len(data):
            break
        size, kind = struct.unpack(">I4s", data[place : place + 8])
        inside = place + 8
        if size == 1:
            (size,) = struct.unpack(">Q", data[inside : inside + 8].rjust(8, b"\0"))
            inside += 8
        end = len(data) if size == 0 else place + size
        if end > len(data) or end < inside:
            raise unreadable(path, f"is cut off: its {kind.decode('latin-1')!r} part ends behind the file")
        _take(found, kind, data[inside:end])
        place = end
    return found


def _take(found: _Found, kind: bytes, content: bytes) -> None:
    if kind in (b"jxlc", b"jxlp"):
        code = content[4:] if kind == b"jxlp" else content
        found.head = (found.head + code[:HEAD_BYTES])[:HEAD_BYTES]
        found.stored += len(code)
    elif kind == b"Exif":
        found.exif = content


def _dpi(exif: bytes) -> Dpi:
    """Density in EXIF; four bytes before it say where it begins."""
    if len(exif) < 8:
        return None
    (start,) = struct.unpack(">I", exif[:4])
    return read_exif(exif[4 + start :])[1]
