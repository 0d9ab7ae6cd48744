"""I read header and pixels of PNG files.

In: a path. Out: a `Header`, and bands of decoded rows.

Reference: ISO/IEC 15948 (PNG), chapters 5 and 11; the eXIf chunk of its 2017 extensions.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.faults import AS_PLAIN_TIFF, check_size, telling, unreadable
from stitchbed.reading.base.header import Header
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.metadata.density import from_png
from stitchbed.reading.metadata.exif import read_exif
from stitchbed.reading.metadata.icc import MOST_BYTES, checked_profile
from stitchbed.reading.stills import png_rows
from stitchbed.reading.stills.png_rows import MAGIC, PngLayout
from stitchbed.reading.views.orientation import swapped

SMALL_CHUNKS = (b"iCCP", b"pHYs", b"eXIf", b"PLTE", b"tRNS")
DEPTHS = {0: (1, 8, 16), 2: (8, 16), 3: (1, 2, 4, 8), 4: (8, 16), 6: (8, 16)}  # color type -> bits that are read
MOST_DEFLATED = 1033  # deflate never expands more than 1032 times (RFC 1951: 258 bytes from 2 bits)
LONGEST_SIDE = 1_000_000  # px; the decoder's own limit, the standard's is 2^31 - 1


def read_header(path: Path, max_pixels: int) -> Header:
    """What the chunks say; no pixel is decoded.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : damaged, cut off, too large, a kind that is not read here.
    """
    with telling(path, "reading its header"), path.open("rb") as file:
        first = _first(path, file)
        check_size(path, (first[1], first[0]), max_pixels=max_pixels)
        if first[4:6] != (0, 0) or first[6] > 1:
            raise unreadable(path, "is a PNG with a compression, filter or interlace method nobody knows")
        found, data = _walk(path, file)
    layout = _layout(first, found, data)
    _check(path, layout)
    turn, exif_dpi = read_exif(found[b"eXIf"]) if b"eXIf" in found else (1, None)
    dpi = _density(found.get(b"pHYs")) or exif_dpi
    color = 1 if layout.kind in (0, 4) else 3
    icc, notes = _profile(found.get(b"iCCP"), color)
    alpha = layout.kind in (4, 6) or layout.transparency is not None
    shape = (*swapped((layout.height, layout.width), turn), color)
    shown_dpi = None if dpi is None else swapped(dpi, turn)
    raster = Raster(shape, "uint16" if layout.depth == 16 else "uint8", layout.depth, icc, shown_dpi, False, alpha)
    return Header(raster, turn, False, layout, notes)


def at_once(header: Header) -> int:
    """Bytes decoding takes: of an interlaced picture all of it, else a few bands of rows."""
    layout: PngLayout = header.layout
    rows, cols, channels = header.raster.shape
    whole = rows * cols * (channels + header.raster.alpha) * (2 if layout.depth == 16 else 1)
    return 12 * max(png_rows.BAND_BYTES, layout.row_bytes) + (whole if layout.interlaced else 0)


def bands(path: Path, header: Header) -> Iterator[Pixels]:
    """Decoded rows (rows, width, samples) from top to bottom."""
    with telling(path, "decoding it"):
        yield from png_rows.bands(path, header.layout)


def _first(path: Path, file: IO[bytes]) -> tuple[int, ...]:
    """Width, height, bits, color type, compression, filter, interlace of the header chunk."""
    head = file.read(len(MAGIC) + 25)
    if len(head) < len(MAGIC) + 25:
        raise unreadable(path, "is cut off: the PNG header is not whole")
    length, name = struct.unpack(">I4s", head[8:16])
    if name != b"IHDR" or length != 13:
        raise unreadable(path, "is damaged: it does not begin with a PNG header")
    return struct.unpack(">IIBBBBB", head[16:29])


def _walk(path: Path, file: IO[bytes]) -> tuple[dict[bytes, bytes], tuple[tuple[int, int], ...]]:
    """(small chunks by name, offset and length of each piece of image data) up to the end mark."""
    size = file.seek(0, 2)
    found: dict[bytes, bytes] = {}
    data: list[tuple[int, int]] = []
    place = len(MAGIC)
    while place + 12 <= size:
        file.seek(place)
        length, name = struct.unpack(">I4s", file.read(8))
        if place + 12 + length > size:
            what = name.decode("latin-1")
            raise unreadable(
                path, f"is cut off: its {what!r} part should end at byte {place + 12 + length:,} of {size:,}"
            )
        if name == b"IEND":
            return found, tuple(data)
        if name == b"IDAT":
            data.append((place + 8, length))
        elif name in SMALL_CHUNKS and length <= MOST_BYTES:
            found.setdefault(name, file.read(length))
        place += 12 + length
    raise unreadable(path, "is cut off: the end mark of a PNG (IEND) is missing")


def _layout(first: tuple[int, ...], found: dict[bytes, bytes], data: tuple[tuple[int, int], ...]) -> PngLayout:
    width, height, depth, kind, _, _, interlace = first
    key = found.get(b"tRNS")
    least = {0: 2, 2: 6, 3: 0}.get(kind, len(key or b"") + 1)
    transparency = key if key is not None and len(key) >= least else None
    return PngLayout(width, height, depth, kind, interlace == 1, data, found.get(b"PLTE"), transparency)


def _check(path: Path, layout: PngLayout) -> None:
    """Refuse what cannot be decoded or is not whole."""
    if layout.depth not in DEPTHS.get(layout.kind, ()):
        found = f"is a PNG of {layout.depth} bits per sample, color type {layout.kind}"
        raise unreadable(path, found, attempt=AS_PLAIN_TIFF)
    if layout.kind == 3 and not layout.palette:
        raise unreadable(path, "is a palette picture without a palette", attempt=AS_PLAIN_TIFF)
    if max(layout.height, layout.width) > LONGEST_SIDE:
        raise unreadable(path, f"is a PNG longer than {LONGEST_SIDE:,} px", attempt=AS_PLAIN_TIFF)
    size = (layout.row_bytes + 1) * layout.height
    stored = sum(length for _, length in layout.data)
    if size > stored * MOST_DEFLATED + 64:
        raise unreadable(path, f"is damaged: {stored:,} bytes of image data cannot hold {layout.height:,} rows")


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
