"""I decode one strip or tile of a TIFF.

In: a page and a piece's stored bytes. Out: (rows, columns, samples) of the machine's own byte order.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.samples import from_bits
from stitchbed.reading.stills.jpeg import frame_of
from stitchbed.reading.tiff.colors import codes_of
from stitchbed.reading.tiff.layout import FAXES, TiffPage

PART_BYTES = 4 * 2**20  # of a strip that is decoded part by part


class ShortPieceError(ValueError):
    """A piece yields fewer bytes than its rows need."""


def decode_piece(page: TiffPage, data: bytes, rows: int) -> Pixels:
    """The piece as (rows, piece_width, piece_samples) uint8 or uint16, before photometric interpretation.

    rows : how many of the piece's rows lie in the picture; a last strip may hold no more than these.

    Raises
    ------
    ShortPieceError, or any error of the decoders.
    """
    if page.compression == "jpeg":
        return _from_jpeg(page, data, rows)
    if page.compression in FAXES:
        return _from_fax(page, bit_ordered(page, data), rows)
    raw = _inflated(page.compression, bit_ordered(page, data), page.row_bytes * page.piece_height)
    if len(raw) < rows * page.row_bytes:
        raise ShortPieceError(f"it ends after {len(raw):,} of {rows * page.row_bytes:,} bytes")
    return _whole_rows(page, raw, rows)


def inflated_parts(page: TiffPage, packed: Iterable[bytes], rows: int) -> Iterator[Pixels]:
    """The same of a deflated strip of any height, in parts of whole rows from the top, each a few megabytes.

    packed : the strip's stored bytes, portion by portion.

    Raises
    ------
    ShortPieceError, zlib.error.
    """
    most, left, held = max(1, PART_BYTES // page.row_bytes), rows, bytearray()
    for piece in _inflating(page, packed):
        held += piece if left else b""  # what follows the last row is only read for the check sum behind it
        while left and len(held) >= (ready := min(most, left)) * page.row_bytes:
            yield _whole_rows(page, bytes(held[: ready * page.row_bytes]), ready)
            del held[: ready * page.row_bytes]
            left -= ready
    if left:
        done = (rows - left) * page.row_bytes + len(held)
        raise ShortPieceError(f"it ends after {done:,} of {rows * page.row_bytes:,} bytes")


def _inflating(page: TiffPage, packed: Iterable[bytes]) -> Iterator[bytes]:
    """Decompressed bytes in pieces of at most PART_BYTES."""
    inflater = zlib.decompressobj()
    for portion in packed:
        rest = bit_ordered(page, portion)
        while rest and not inflater.eof:
            yield inflater.decompress(rest, PART_BYTES)
            rest = inflater.unconsumed_tail
    yield inflater.flush()


def _whole_rows(page: TiffPage, raw: bytes, rows: int) -> Pixels:
    """Decompressed rows as samples, the predictor undone."""
    if page.floating:
        return codes_of(page, _floats(page, raw, rows))
    pixels = unpacked(page, raw, rows, page.piece_width)
    return imagecodecs.delta_decode(pixels, axis=1) if page.predictor == 2 else pixels


def _floats(page: TiffPage, raw: bytes, rows: int) -> NDArray[Any]:
    """(rows, piece_width, piece_samples) floating point. Reference: TIFF technical note 3 (2005), predictor 3."""
    shape = rows, page.piece_width, page.piece_samples
    size = page.bits // 8
    stored = np.frombuffer(raw, np.uint8, rows * page.row_bytes)
    if page.predictor == 3:  # differences of bytes, those of one significance together, the highest first
        steps = stored.reshape(rows, -1, page.piece_samples)
        planes = np.cumsum(steps, axis=1, dtype=np.uint8).reshape(rows, size, -1)
        return np.ascontiguousarray(planes.swapaxes(1, 2)).view(f">f{size}").reshape(shape)
    if page.predictor == 2:
        whole = np.cumsum(stored.view(f"{page.order}u{size}").reshape(shape), axis=1, dtype=f"u{size}")
        return whole.view(f"f{size}")
    return stored.view(f"{page.order}f{size}").reshape(shape)


def unpacked(page: TiffPage, raw: bytes, rows: int, width: int) -> Pixels:
    """Uncompressed bytes of whole rows as (rows, width, samples) uint8/uint16; packed bits become 0, 1, ..."""
    samples = page.piece_samples
    row_bytes = (width * samples * page.bits + 7) // 8
    if page.floating:
        values = np.frombuffer(raw, f"{page.order}f{page.bits // 8}", rows * width * samples)
        return codes_of(page, values.reshape(rows, width, samples))
    plain = np.frombuffer(raw, np.uint8, rows * row_bytes).reshape(rows, row_bytes)
    return from_bits(plain, page.bits, width, samples, page.order)


def bit_ordered(page: TiffPage, data: bytes) -> bytes:
    """Bytes with the first pixel in the highest bit (FillOrder, tag 266)."""
    return bytes(imagecodecs.bitorder_decode(data)) if page.low_bit_first else data


def _inflated(compression: str, data: bytes, size: int) -> bytes:
    """Decompressed bytes, never more than `size`."""
    if compression == "none":
        return data[:size]
    if compression == "lzw":
        return bytes(imagecodecs.lzw_decode(data, out=size))
    if compression == "zstd":
        return bytes(imagecodecs.zstd_decode(data, out=size))
    if compression == "packbits":
        return bytes(imagecodecs.packbits_decode(data, out=size))
    return bytes(imagecodecs.deflate_decode(data, out=size))


def _from_fax(page: TiffPage, data: bytes, rows: int) -> Pixels:
    """Rows of 0 and 1. Reference: ITU-T T.4, T.6; TIFF 6.0, sections 10 and 11."""
    size = (rows, page.piece_width)
    if page.compression == "fax rle":
        bits = imagecodecs.ccittrle_decode(data, *size)
    elif page.compression == "fax 3":
        bits = imagecodecs.ccittfax3_decode(data, *size, t4options=page.fax_options)
    else:
        bits = imagecodecs.ccittfax4_decode(data, *size)
    return np.asarray(bits).reshape(rows, page.piece_width, 1)


def _from_jpeg(page: TiffPage, data: bytes, rows: int) -> Pixels:
    """A JPEG stream of one piece; its own size is checked first so that it cannot ask for more memory than it may."""
    frame = frame_of(data)
    if frame is None or frame.bits != 8 or frame.components != page.piece_samples:
        raise ShortPieceError("its JPEG header does not fit the picture")
    if not (
        rows <= frame.height <= page.piece_height + 15 and page.piece_width <= frame.width <= page.piece_width + 15
    ):
        raise ShortPieceError(f"its JPEG is {frame.width} x {frame.height} px")
    stored, wanted = None, None
    if frame.components == 3:
        stored, wanted = "YCBCR" if page.photometric == 6 else "RGB", "RGB"
    pixels = imagecodecs.jpeg8_decode(data, tables=page.jpeg_tables, colorspace=stored, outcolorspace=wanted)
    return pixels.reshape(frame.height, frame.width, frame.components)[:rows, : page.piece_width]
