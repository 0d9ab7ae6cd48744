"""I write a finished canvas as one PNG or JPEG, within their limits.

In: the rows of a master. Out: one file with profile and dpi, whole or not at all.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from stitchbed.core.errors import CanvasTooLarge
from stitchbed.core.files import claimed
from stitchbed.imaging.chunks import chunk
from stitchbed.imaging.depth import eight_bit
from stitchbed.output.tiff_master import SEGMENT, MasterSpec, read_segments, row_count

FLAT_KINDS = (".png", ".jpg", ".jpeg")
# JPEG: ITU-T T.81 allows 65535, libjpeg stops at 65500. PNG: ISO/IEC 15948 allows 2**31 - 1.
LIMITS = {".png": 2**31 - 1, ".jpg": 65500, ".jpeg": 65500}
JPEG_QUALITY = 95


def write_flat(path: Path, spec: MasterSpec, folder: Path, *, memory: int, originals: Sequence[Path] = ()) -> None:
    """Write rows kept in `folder` as a PNG (8 or 16 bits, straight alpha) or a JPEG (8 bits, on white).

    Raises
    ------
    CanvasTooLarge : over the memory budget. CannotWrite, WouldTouchOriginal : see `core.record.claimed`.
    """
    raw = spec.height * spec.width * spec.samples * np.dtype(spec.dtype).itemsize
    if 2 * raw > memory:
        raise CanvasTooLarge(f"{raw} bytes of pixels", expected=f"{memory // 2} at most", attempt="a .tif output")
    pixels = pixels_of(spec, folder)
    data = _png(pixels, spec) if path.suffix.lower() == ".png" else _jpeg(pixels, spec)
    with claimed(path, originals=originals) as partial:
        partial.write_bytes(data)


def pixels_of(spec: MasterSpec, folder: Path) -> NDArray[Any]:
    """The whole canvas (h, w, samples) from its rows."""
    across = -(-spec.width // SEGMENT)
    full = np.zeros((spec.height, spec.width, spec.samples), spec.dtype)
    segments = (segment for row in range(row_count(spec)) for segment in read_segments(folder, row, 0))
    for index, segment in enumerate(segments):
        row, col = index // across * SEGMENT, index % across * SEGMENT
        part = full[row : row + SEGMENT, col : col + SEGMENT]
        part[...] = _decoded(segment, spec)[: part.shape[0], : part.shape[1]]
    return full


def _decoded(segment: bytes, spec: MasterSpec) -> NDArray[Any]:
    shape = (SEGMENT, SEGMENT, spec.samples)
    if spec.codec == "none":
        return np.frombuffer(segment, spec.dtype).reshape(shape)
    raw = imagecodecs.zstd_decode(segment) if spec.codec == "zstd" else imagecodecs.deflate_decode(segment, raw=False)
    delta = np.frombuffer(raw, spec.dtype).reshape(shape)
    decoded: NDArray[Any] = imagecodecs.delta_decode(delta, axis=-2)
    return decoded


def _png(pixels: NDArray[Any], spec: MasterSpec) -> bytes:
    picture = pixels if spec.samples > 1 else pixels[..., 0]
    plain = bytes(imagecodecs.png_encode(picture, level=4))
    chunks = b""
    if spec.icc:
        chunks += chunk(b"iCCP", b"profile\0\0" + zlib.compress(spec.icc))
    per_meter = round(spec.dpi / 0.0254)  # ISO/IEC 15948, pHYs
    chunks += chunk(b"pHYs", struct.pack(">IIB", per_meter, per_meter, 1))
    after_header = 8 + 25  # signature, IHDR chunk
    return plain[:after_header] + chunks + plain[after_header:]


def _jpeg(pixels: NDArray[Any], spec: MasterSpec) -> bytes:
    color = pixels[..., : spec.channels]
    if spec.alpha:
        color = np.where(pixels[..., -1:] > 0, color, np.iinfo(spec.dtype).max)
    if spec.dtype == "uint16":
        color = eight_bit(color)
    eight = color.astype(np.uint8)
    buffer = BytesIO()
    picture = Image.fromarray(eight if spec.channels == 3 else eight[..., 0])
    dpi = (round(spec.dpi), round(spec.dpi))
    picture.save(buffer, "JPEG", quality=JPEG_QUALITY, subsampling=0, dpi=dpi, icc_profile=spec.icc)
    return buffer.getvalue()
