"""I write PNG files chunk by chunk, so that any of them can be right or wrong on purpose.

In: pixels and what the file should say. Out: bytes.

A second, independent reading of ISO/IEC 15948: nothing of the package is used here.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence

import numpy as np

MAGIC = b"\x89PNG\r\n\x1a\n"
KINDS = {1: 0, 2: 4, 3: 2, 4: 6}  # samples -> color type
# first row, first column, row step, column step of the seven passes (chapter 8.2)
PASSES = ((0, 0, 8, 8), (0, 4, 8, 8), (4, 0, 8, 4), (0, 2, 4, 4), (2, 0, 4, 2), (0, 1, 2, 2), (1, 0, 2, 1))


def chunk(name: bytes, content: bytes) -> bytes:
    """One chunk with its length and check sum."""
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def header(width: int, height: int, depth: int, kind: int, interlace: int = 0) -> bytes:
    """The IHDR chunk."""
    return chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, kind, 0, 0, interlace))


def profile_chunk(icc: bytes) -> bytes:
    """An iCCP chunk."""
    return chunk(b"iCCP", b"profile\0\0" + zlib.compress(icc))


def density_chunk(x: int, y: int, unit: int = 1) -> bytes:
    """A pHYs chunk, px per meter when the unit is 1."""
    return chunk(b"pHYs", struct.pack(">IIB", x, y, unit))


def png(
    pixels: np.ndarray, *, depth: int | None = None, kind: int | None = None, interlace: bool = False,
    before: Sequence[bytes] = (), split: int = 1,
) -> bytes:  # fmt: skip
    """A file of (h, w, samples) pixels; rows are filtered in turn by all five filters.

    before : chunks before the image data. depth : bits per sample where it is not that of the array.
    split : number of IDAT chunks.
    """
    depth = depth or 8 * pixels.itemsize
    kind = KINDS[pixels.shape[2]] if kind is None else kind
    if interlace:
        parts = [pixels[r::dr, c::dc] for r, c, dr, dc in PASSES]
        raw = b"".join(filtered(part, depth) for part in parts if part.size)
    else:
        raw = filtered(pixels, depth)
    packed = zlib.compress(raw, 6)
    step = -(-len(packed) // split)
    data = b"".join(chunk(b"IDAT", packed[at : at + step]) for at in range(0, len(packed), step))
    head = header(pixels.shape[1], pixels.shape[0], depth, kind, int(interlace))
    return MAGIC + head + b"".join(before) + data + chunk(b"IEND", b"")


def filtered(pixels: np.ndarray, depth: int) -> bytes:
    """Rows with filters 0, 1, 2, 3, 4 in turn (chapter 9)."""
    rows = packed_rows(pixels, depth)
    back = max(1, pixels.shape[2] * depth // 8)
    out = []
    above = np.zeros(rows.shape[1], np.int64)
    for number, row in enumerate(rows.astype(np.int64)):
        left, corner = (np.concatenate([np.zeros(back, np.int64), line])[: len(row)] for line in (row, above))
        kind = number % 5
        guess = [np.zeros_like(row), left, above, (left + above) // 2, paeth(left, above, corner)][kind]
        out.append(bytes([kind]) + ((row - guess) % 256).astype(np.uint8).tobytes())
        above = row
    return b"".join(out)


def packed_rows(pixels: np.ndarray, depth: int) -> np.ndarray:
    """(rows, bytes) uint8."""
    rows = pixels.shape[0]
    if depth == 16:
        return pixels.astype(">u2").reshape(rows, -1).view(np.uint8)
    if depth == 8:
        return pixels.astype(np.uint8).reshape(rows, -1)
    spread = (pixels.reshape(rows, -1, 1) >> np.arange(depth - 1, -1, -1)) & 1
    return np.packbits(spread.reshape(rows, -1).astype(np.uint8), axis=1)


def paeth(left: np.ndarray, above: np.ndarray, corner: np.ndarray) -> np.ndarray:
    """The Paeth predictor (chapter 9.4)."""
    guess = left + above - corner
    far = np.stack([abs(guess - left), abs(guess - above), abs(guess - corner)])
    best = np.argmin(far, axis=0)
    return np.choose(best, [left, above, corner])
