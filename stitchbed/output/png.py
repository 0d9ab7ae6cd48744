"""I write a PNG a few rows at a time, so that its size is bounded by the disk and not by memory.

In: what the file is to be, then rows of stored pixels. Out: one PNG with profile and dpi.
Reference: ISO/IEC 15948:2004 (PNG), chunks IHDR, sRGB, iCCP, pHYs, IDAT, IEND.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from types import TracebackType
from typing import BinaryIO, Self

import numpy as np

from stitchbed.core.arrays import Bytes, Pixels
from stitchbed.imaging.chunks import chunk
from stitchbed.imaging.compiled import compiled

SIGNATURE = b"\x89PNG\r\n\x1a\n"
COLOR_TYPE = {1: 0, 2: 4, 3: 2, 4: 6}  # by samples: gray, gray and alpha, RGB, RGB and alpha
LEVEL = 5  # of deflate: larger saves little on scans and costs much


@dataclass(frozen=True)
class PngSpec:
    """height, width px. samples : 1 gray, 2 gray and alpha, 3 RGB, 4 RGB and alpha (straight). bits : 8 or 16.

    dpi : per inch, or None. icc : profile, or None: then `srgb` says that the pixels are sRGB. quick : only runs of
    equal bytes are packed, in a third of the time; scans get some 10 % larger, lines and flats hardly.
    """

    height: int
    width: int
    samples: int
    bits: int
    dpi: float | None
    icc: bytes | None = None
    srgb: bool = False
    quick: bool = False


class PngRows:
    """An open PNG that takes rows from the top; close it (or use `with`) after the last."""

    def __init__(self, file: BinaryIO, spec: PngSpec) -> None:
        self._file, self._spec = file, spec
        self._deflate = zlib.compressobj(LEVEL, strategy=zlib.Z_RLE if spec.quick else zlib.Z_DEFAULT_STRATEGY)
        self._above = np.zeros(spec.width * spec.samples * spec.bits // 8, np.uint8)
        self._left = spec.height
        file.write(SIGNATURE)
        head = struct.pack(">IIBBBBB", spec.width, spec.height, spec.bits, COLOR_TYPE[spec.samples], 0, 0, 0)
        self._chunk(b"IHDR", head)
        if spec.icc is not None:
            self._chunk(b"iCCP", b"profile\0\0" + zlib.compress(spec.icc, 9))
        elif spec.srgb:
            self._chunk(b"sRGB", b"\1")  # relative colorimetric
        if spec.dpi is not None:
            per_meter = round(spec.dpi / 0.0254)
            self._chunk(b"pHYs", struct.pack(">IIB", per_meter, per_meter, 1))

    def push(self, rows: Pixels) -> None:
        """(n, width, samples) rows, uint8 or uint16 as the spec's bits say.

        Raises
        ------
        ValueError : more rows than the spec has, or of another shape.
        """
        spec = self._spec
        if rows.shape[1:] != (spec.width, spec.samples) or len(rows) > self._left:
            raise ValueError(f"rows of {rows.shape} do not fit {self._left} rows left of {spec}")
        raw = np.ascontiguousarray(rows.astype(">u2" if spec.bits == 16 else np.uint8)).view(np.uint8)
        lines = raw.reshape(len(rows), -1)
        packed = self._deflate.compress(_filtered(lines, self._above, spec.samples * spec.bits // 8).tobytes())
        self._above = lines[-1].copy()
        self._left -= len(rows)
        if packed:
            self._chunk(b"IDAT", packed)

    def close(self) -> None:
        """Finish the file; rows that never came would leave it broken.

        Raises
        ------
        ValueError : rows are missing.
        """
        if self._left:
            raise ValueError(f"{self._left} rows are missing")
        self._chunk(b"IDAT", self._deflate.flush())
        self._chunk(b"IEND", b"")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()

    def _chunk(self, name: bytes, data: bytes) -> None:
        self._file.write(chunk(name, data))


def _filtered(lines: Bytes, above: Bytes, step: int) -> Bytes:
    """(n, 1 + bytes) each line after the filter (none, left, above) that leaves least; the usual rule of thumb.

    Reference: ISO/IEC 15948, 9.2 (filter types) and 12.8 (choice by the sum of absolute differences).
    """
    out = np.empty((len(lines), 1 + lines.shape[1]), np.uint8)
    _filter(np.concatenate([above[None], lines]), step, out)
    return out


@compiled
def _filter(lines: Bytes, step: int, out: Bytes) -> None:
    """Fill `out` (n, 1 + w) from `lines` (1 + n, w), the first of which went before."""
    width = lines.shape[1]
    for y in range(out.shape[0]):
        line, above = lines[y + 1], lines[y]
        plain, left, up = 0, 0, 0
        for x in range(width):
            plain += min(line[x], 256 - line[x])
            change = (line[x] - above[x]) & 255
            up += min(change, 256 - change)
        for x in range(width):
            change = (line[x] - (line[x - step] if x >= step else np.uint8(0))) & 255
            left += min(change, 256 - change)
        out[y, 0] = 0 if plain <= min(left, up) else 1 if left <= up else 2
        if out[y, 0] == 0:
            for x in range(width):
                out[y, 1 + x] = line[x]
        elif out[y, 0] == 2:
            for x in range(width):
                out[y, 1 + x] = line[x] - above[x]
        else:
            for x in range(width):
                out[y, 1 + x] = line[x] - (line[x - step] if x >= step else np.uint8(0))
