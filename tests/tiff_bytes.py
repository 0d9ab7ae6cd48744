"""I write TIFF files tag by tag, so that any of them can be right or wrong on purpose.

In: pixels and what the file should say. Out: bytes.

This is a second, independent reading of TIFF 6.0 (1992): nothing of the package is used here.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field

import imagecodecs
import numpy as np

FORMATS = {1: "B", 2: "B", 3: "H", 4: "I", 5: "I", 6: "b", 7: "B", 8: "h", 9: "i", 10: "i", 11: "f", 12: "d", 16: "Q"}
PAIRS = (5, 10)
Field = tuple[int, Sequence[float]]  # field type, values (two per fraction)


@dataclass(frozen=True)
class Plan:
    """What a file should be. piece : rows per strip, or (height, width) of tiles. extra : tags added, replaced, or
    (None) left out. alpha : kind of extra sample (tag 338) or None."""

    order: str = "<"
    big: bool = False
    compression: int = 1
    predictor: int = 1
    piece: int | tuple[int, int] = 16
    planar: int = 1
    photometric: int | None = None
    bits: int | None = None
    alpha: int | None = None
    low_bit_first: bool = False
    dpi: float = 300
    extra: dict[int, Field | None] = field(default_factory=dict)


def tiff(pixels: np.ndarray, plan: Plan = Plan()) -> bytes:
    """A file of (h, w, samples) uint8/uint16 pixels; values of 1, 2 and 4 bits are packed as they are."""
    samples = pixels.shape[2]
    bits = plan.bits or 8 * pixels.itemsize
    pieces = [encoded(part, plan, bits) for part in cut(pixels, plan)]
    tags: dict[int, Field | None] = {
        256: (4, [pixels.shape[1]]),
        257: (4, [pixels.shape[0]]),
        258: (3, [bits] * samples),
        259: (3, [plan.compression]),
        262: (3, [plan.photometric if plan.photometric is not None else (2 if samples >= 3 else 1)]),
        277: (3, [samples]),
        282: (5, [round(plan.dpi * 1000), 1000]),
        283: (5, [round(plan.dpi * 1000), 1000]),
        284: (3, [plan.planar]),
        296: (3, [2]),
        317: (3, [plan.predictor]),
    }
    if plan.alpha is not None:
        tags[338] = (3, [plan.alpha])
    if plan.low_bit_first:
        tags[266] = (3, [2])
    if isinstance(plan.piece, tuple):
        tags |= {322: (4, [plan.piece[1]]), 323: (4, [plan.piece[0]])}
        return assembled(tags | plan.extra, pieces, (324, 325), order=plan.order, big=plan.big)
    tags[278] = (4, [plan.piece])
    return assembled(tags | plan.extra, pieces, (273, 279), order=plan.order, big=plan.big)


def cut(pixels: np.ndarray, plan: Plan) -> list[np.ndarray]:
    """Strips or padded tiles, plane by plane where planes are apart."""
    planes = [pixels[..., [k]] for k in range(pixels.shape[2])] if plan.planar == 2 else [pixels]
    parts = []
    for plane in planes:
        if isinstance(plan.piece, int):
            parts += [plane[row : row + plan.piece] for row in range(0, plane.shape[0], plan.piece)]
            continue
        height, width = plan.piece
        pad = ((0, -plane.shape[0] % height), (0, -plane.shape[1] % width), (0, 0))
        full = np.pad(plane, pad, mode="edge")
        rows, cols = range(0, full.shape[0], height), range(0, full.shape[1], width)
        parts += [full[row : row + height, col : col + width] for row in rows for col in cols]
    return parts


def encoded(part: np.ndarray, plan: Plan, bits: int) -> bytes:
    """One strip or tile as it is stored."""
    if plan.compression == 7:
        return bytes(jpeg_piece(part, plan))
    if plan.predictor == 2:
        first = np.zeros((part.shape[0], 1, part.shape[2]), part.dtype)
        part = np.diff(part, axis=1, prepend=first)
    raw = packed(part, bits, plan.order)
    coded = {
        1: lambda: raw,
        5: lambda: imagecodecs.lzw_encode(raw),
        8: lambda: zlib.compress(raw),
        32946: lambda: zlib.compress(raw, 1),
        32773: lambda: imagecodecs.packbits_encode(raw),
        50000: lambda: imagecodecs.zstd_encode(raw),
    }[plan.compression]()
    if plan.low_bit_first:
        coded = bytes(int(f"{byte:08b}"[::-1], 2) for byte in coded)
    return bytes(coded)


def packed(part: np.ndarray, bits: int, order: str) -> bytes:
    """Rows of samples in the file's byte order; less than 8 bits are packed, each row filled up to whole bytes."""
    if bits == 16:
        return part.astype(order + "u2").tobytes()
    if bits == 8:
        return part.astype(np.uint8).tobytes()
    spread = (part.reshape(part.shape[0], -1, 1) >> np.arange(bits - 1, -1, -1)) & 1
    return np.packbits(spread.reshape(part.shape[0], -1).astype(np.uint8), axis=1).tobytes()


def jpeg_piece(part: np.ndarray, plan: Plan) -> bytes:
    """A JPEG stream: YCbCr with half-size color when photometric is 6, else the samples as they are."""
    part = np.ascontiguousarray(part)
    if part.shape[2] == 1:
        return bytes(imagecodecs.jpeg8_encode(part[..., 0], level=95))
    if plan.photometric == 6:
        return bytes(imagecodecs.jpeg8_encode(part, level=95, subsampling="420"))
    return bytes(imagecodecs.jpeg8_encode(part, level=95, colorspace="RGB", outcolorspace="RGB"))


def assembled(
    tags: dict[int, Field | None], pieces: list[bytes], names: tuple[int, int], *, order: str = "<", big: bool = False
) -> bytes:
    """Header, pieces, then the directory with its long values; tags given as None are left out.

    names : tags of the pieces' offsets and byte counts; they are only set where `tags` does not hold them already.
    """
    start = 16 if big else 8
    offsets = [start + sum(map(len, pieces[:index])) for index in range(len(pieces))]
    full = {names[0]: (16 if big else 4, offsets), names[1]: (16 if big else 4, [len(p) for p in pieces])} | tags
    body = b"".join(pieces)
    body += b"\0" * (len(body) % 2)
    place = start + len(body)
    head = struct.pack(order + "2sHHHQ", *mark(order), 43, 8, 0, place) if big else b""
    head = head or struct.pack(order + "2sHI", *mark(order), 42, place)
    return head + body + directory(full, place, order=order, big=big)


def mark(order: str) -> tuple[bytes]:
    """The first two bytes."""
    return (b"II" if order == "<" else b"MM",)


def directory(
    tags: dict[int, Field | None], place: int, *, order: str = "<", big: bool = False, following: int = 0
) -> bytes:
    """A directory that begins at byte `place`, its long values right behind it, and the link to the next one."""
    kept = {tag: entry for tag, entry in sorted(tags.items()) if entry is not None}
    head, row, room, word = (8, 20, 8, "Q") if big else (2, 12, 4, "I")
    behind = place + head + row * len(kept) + (8 if big else 4)
    table = struct.pack(order + ("Q" if big else "H"), len(kept))
    values = b""
    for tag, (kind, numbers) in kept.items():
        data = struct.pack(f"{order}{len(numbers)}{FORMATS[kind]}", *numbers)
        count = len(numbers) // (2 if kind in PAIRS else 1)
        table += struct.pack(f"{order}HH{word}", tag, kind, count)
        if len(data) <= room:
            table += data.ljust(room, b"\0")
        else:
            table += struct.pack(order + word, behind + len(values))
            values += data + b"\0" * (len(data) % 2)
    return table + struct.pack(order + word, following) + values
