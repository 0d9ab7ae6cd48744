"""I decode PNG rows in bands, so that a picture of any size needs little memory.

In: the file and what its chunks say. Out: (rows, width, samples) uint8 or uint16, palette and transparency expanded.

The image data is inflated piece by piece; the rows of a band, together with the last row of the band before it, are
put into a small PNG of their own, stored without compression, for the decoder to undo the row filters.

Reference: ISO/IEC 15948, chapters 8 (interlace), 9 (filters), 10 (deflate) and 11.3.2 (tRNS).
"""

from __future__ import annotations

import struct
import zlib
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import imagecodecs
import numpy as np

from stitchbed.core.arrays import Bytes, Pixels
from stitchbed.imaging.chunks import chunk
from stitchbed.reading.base.faults import unreadable
from stitchbed.reading.base.samples import from_bits

MAGIC = b"\x89PNG\r\n\x1a\n"
SAMPLES = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}  # color type -> stored samples
BAND_BYTES = 4 * 2**20  # decoded bytes at once, held up to twelve times on the way; small beside any budget
AT_ONCE = 16 * 2**20  # decoded bytes that are inflated in one go, which is quicker
READ_BYTES = 2**20
MOST_ROWS = 2**16  # the decoder refuses more than a million rows
# bytes per pixel -> (color type, bits) of a PNG with that many; row filters depend on nothing else
CARRIERS = {1: (0, 8), 2: (4, 8), 3: (2, 8), 4: (6, 8), 6: (2, 16), 8: (6, 16)}


# first row, first column, row step, column step of the seven passes of an interlaced picture
PASSES = ((0, 0, 8, 8), (0, 4, 8, 8), (4, 0, 8, 4), (0, 2, 4, 4), (2, 0, 4, 2), (0, 1, 2, 2), (1, 0, 2, 1))


@dataclass(frozen=True)
class PngLayout:
    """depth : bits per sample. kind : color type. data : (offset, length) of each IDAT chunk.

    palette, transparency : contents of PLTE and tRNS, or None.
    """

    width: int
    height: int
    depth: int
    kind: int
    interlaced: bool
    data: tuple[tuple[int, int], ...]
    palette: bytes | None
    transparency: bytes | None

    @property
    def row_bytes(self) -> int:
        """Bytes of an unfiltered row."""
        return self.bytes_of(self.width)

    def bytes_of(self, width: int) -> int:
        """Bytes of an unfiltered row of `width` px."""
        return (width * SAMPLES[self.kind] * self.depth + 7) // 8

    @property
    def pixel_bytes(self) -> int:
        """Distance the filters look back, bytes."""
        return max(1, SAMPLES[self.kind] * self.depth // 8)


def bands(path: Path, layout: PngLayout) -> Iterator[Pixels]:
    """Decoded bands from top to bottom; an interlaced picture comes as one.

    Raises
    ------
    UnreadableTile : the data end early or are damaged. Errors of zlib and of the decoder.
    """
    with path.open("rb") as file:
        sizes = _pass_sizes(layout) if layout.interlaced else [(layout.height, layout.width)]
        total = sum(rows * (layout.bytes_of(width) + 1) for rows, width in sizes)
        stream = _inflated(path, file, layout, total)
        portions = _portions(path, stream, [portion for size in sizes for portion in _band_bytes(layout, *size)])
        if layout.interlaced:
            yield _unwoven(layout, sizes, portions)
        else:
            yield from _rows(layout, sizes[0], portions)
        deque(portions, maxlen=0)
        deque(stream, maxlen=0)  # the check sums of what is left


def _pass_sizes(layout: PngLayout) -> list[tuple[int, int]]:
    """(rows, columns) of the passes that hold any pixel."""
    sizes = [(-(-(layout.height - r) // dr), -(-(layout.width - c) // dc)) for r, c, dr, dc in PASSES]
    return [size for size in sizes if min(size) > 0]


def _band_bytes(layout: PngLayout, height: int, width: int) -> list[int]:
    """Bytes of each band of rows that is decoded at once, of a picture or a pass of that size."""
    row = layout.bytes_of(width) + 1
    rows = max(1, min(MOST_ROWS, BAND_BYTES // row))
    return [min(rows, height - top) * row for top in range(0, height, rows)]


def _rows(layout: PngLayout, size: tuple[int, int], portions: Iterator[bytes]) -> Iterator[Pixels]:
    """Decoded bands of a picture or a pass of (rows, columns)."""
    before = np.zeros(layout.bytes_of(size[1]), np.uint8)
    for _ in _band_bytes(layout, *size):
        raw = unfiltered(next(portions), before, layout.pixel_bytes)
        before = raw[-1]
        yield _expanded(layout, from_bits(raw, layout.depth, size[1], SAMPLES[layout.kind]))


def _unwoven(layout: PngLayout, sizes: Sequence[tuple[int, int]], portions: Iterator[bytes]) -> Pixels:
    """(height, width, samples) of an interlaced picture."""
    handed_out = _expanded(layout, np.zeros((1, 1, SAMPLES[layout.kind]), np.uint8)).shape[2]
    whole = np.empty((layout.height, layout.width, handed_out), "uint16" if layout.depth == 16 else "uint8")
    targets = [whole[row::down, col::across] for row, col, down, across in PASSES]
    for target, size in zip([target for target in targets if target.size], sizes, strict=True):
        row = 0
        for band in _rows(layout, size, portions):
            target[row : row + len(band)] = band
            row += len(band)
    return whole


def _inflated(path: Path, file: IO[bytes], layout: PngLayout, size: int) -> Iterator[bytes]:
    """The image data: at once and fast when small and sound, else piece by piece up to where they end."""
    if size <= AT_ONCE:
        packed = b"".join(content for content in _contents(path, file, layout))
        with suppress(imagecodecs.DeflateError):
            yield bytes(imagecodecs.deflate_decode(packed, out=size))
            return
    inflater = zlib.decompressobj()
    done = 0
    for packed in _contents(path, file, layout):
        left = packed
        while left and not inflater.eof and done < size:
            piece = inflater.decompress(left, BAND_BYTES)
            done += len(piece)
            left = inflater.unconsumed_tail
            yield piece
    if done < size:
        yield inflater.flush()


def _contents(path: Path, file: IO[bytes], layout: PngLayout) -> Iterator[bytes]:
    """The compressed data in pieces of bounded size; the check sum of each chunk is compared."""
    for offset, length in layout.data:
        file.seek(offset)
        check = zlib.crc32(b"IDAT")
        for start in range(0, length, READ_BYTES):
            packed = file.read(min(READ_BYTES, length - start))
            check = zlib.crc32(packed, check)
            yield packed
        if struct.unpack(">I", file.read(4))[0] != check:
            raise unreadable(path, f"is damaged: the check sum of the image data at byte {offset:,} is wrong")


def _portions(path: Path, stream: Iterator[bytes], sizes: Sequence[int]) -> Iterator[bytes]:
    """The stream cut into portions of the sizes given; what follows them is not looked at."""
    held = bytearray()
    for number, size in enumerate(sizes):
        while len(held) < size:
            piece = next(stream, None)
            if piece is None:
                done = sum(sizes[:number]) + len(held)
                raise unreadable(
                    path, f"is cut off or damaged: its image data end after {done:,} of {sum(sizes):,} bytes"
                )
            held += piece
        yield bytes(held[:size])
        del held[:size]


def unfiltered(filtered: bytes, before: Bytes, pixel_bytes: int) -> Bytes:
    """(rows, row_bytes) raw bytes of filtered rows that follow the raw row `before`."""
    kind, depth = CARRIERS[pixel_bytes]
    rows = len(filtered) // (before.size + 1)
    content = bytes(imagecodecs.zlib_encode(b"\0" + before.tobytes() + filtered, level=0))
    header = struct.pack(">IIBBBBB", before.size // pixel_bytes, rows + 1, depth, kind, 0, 0, 0)
    carrier = MAGIC + chunk(b"IHDR", header) + chunk(b"IDAT", content) + chunk(b"IEND", b"")
    decoded = np.asarray(imagecodecs.png_decode(carrier)).reshape(rows + 1, -1)
    raw = decoded.astype(">u2") if depth == 16 else decoded
    return raw.view(np.uint8)[1:]


def _expanded(layout: PngLayout, samples: Pixels) -> Pixels:
    """Samples as handed out: palette looked up, single bits stretched, a transparent color turned into alpha."""
    if layout.kind == 3:
        return _palette(layout)[samples[..., 0]]
    key = layout.transparency
    shown = samples * np.uint8(255) if layout.depth == 1 else samples
    if key is None or layout.kind in (4, 6):
        return shown
    color = np.frombuffer(key[: 2 * samples.shape[2]], ">u2").astype(samples.dtype)
    top = np.iinfo(samples.dtype).max
    opaque = np.where(np.all(samples == color, axis=2, keepdims=True), 0, top).astype(samples.dtype)
    return np.concatenate([shown, opaque], axis=2)


def _palette(layout: PngLayout) -> Bytes:
    """(256, 3 or 4) colors; entries the file does not have are black."""
    stated = np.frombuffer(layout.palette or b"", np.uint8)[:768]
    table = np.zeros((256, 3), np.uint8)
    table[: stated.size // 3] = stated[: stated.size // 3 * 3].reshape(-1, 3)
    if layout.transparency is None:
        return table
    alpha = np.full((256, 1), 255, np.uint8)
    known = np.frombuffer(layout.transparency[:256], np.uint8)
    alpha[: known.size, 0] = known
    return np.concatenate([table, alpha], axis=1)
