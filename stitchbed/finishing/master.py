"""I write finished blocks into one tiled file with profile, dpi and reduced views, then rename it in.

In: a `MasterSpec` and blocks of stored pixels in file order. Out: one TIFF (BigTIFF where needed), whole or not at all.

Blocks are 1024 px (`BLOCK`); each is cut into 256 px segments and halved twice on the spot, encoded by whichever
thread made it, so that no step ever holds more than a row of blocks. Smaller views are made from what is left.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from stitchbed.ground.errors import BadSettings
from stitchbed.ground.job import claimed

Pixels = NDArray[Any]

SEGMENT = 256  # px; small enough that a viewer reads little for a detail, large enough for the codec
BLOCK = 1024  # px; SEGMENT * 2**INNER_LEVELS
INNER_LEVELS = 2
SMALLEST_VIEW = 512  # px; the last reduced view is about this long


@dataclass(frozen=True)
class MasterSpec:
    """What the file is to be.

    height, width : px. channels : 1 or 3. dtype : "uint8" or "uint16". alpha : straight alpha as last sample.
    dpi : per inch. codec : "deflate", "zstd" or "none"; predictor 2 is used with both codecs.
    """

    height: int
    width: int
    channels: int
    dtype: str
    alpha: bool
    dpi: float
    icc: bytes | None
    codec: str = "deflate"

    @property
    def samples(self) -> int:
        """Samples per pixel, alpha counted."""
        return self.channels + self.alpha


@dataclass(frozen=True)
class EncodedBlock:
    """One block as it goes to the file: encoded segments [level][row][col] and the view at 1/2**(INNER_LEVELS+1)."""

    segments: tuple[tuple[tuple[bytes, ...], ...], ...]
    small: Pixels


def encode_block(block: Pixels, spec: MasterSpec) -> EncodedBlock:
    """Encode one (h, w, samples) block (h, w <= BLOCK) at full size and at the inner reduced sizes."""
    levels = []
    view = block.reshape(*block.shape[:2], spec.samples)
    for _ in range(INNER_LEVELS + 1):
        levels.append(tuple(tuple(encode_segment(part, spec) for part in row) for row in _parts(view)))
        view = halved(view, spec)
    return EncodedBlock(tuple(levels), view)


def write_master(path: Path, spec: MasterSpec, blocks: Iterable[EncodedBlock], *, originals: Sequence[Path] = ()) -> None:
    """Write the blocks (file order, rows of BLOCK px) to `path`.

    Raises
    ------
    CannotWrite, WouldTouchOriginal : see `ground.job.claimed`. BadSettings : unknown codec.
    """
    with claimed(path, originals=originals) as partial:
        _write_levels(partial, spec, blocks)


def write_picture(path: Path, spec: MasterSpec, pixels: Pixels, *, originals: Sequence[Path] = ()) -> None:
    """Write an (h, w, samples) array already in memory as a master."""
    whole = pixels.reshape(spec.height, spec.width, spec.samples)
    rows = range(0, spec.height, BLOCK)
    cols = range(0, spec.width, BLOCK)
    blocks = (encode_block(whole[r : r + BLOCK, c : c + BLOCK], spec) for r in rows for c in cols)
    write_master(path, spec, blocks, originals=originals)


def encode_segment(part: Pixels, spec: MasterSpec) -> bytes:
    """One SEGMENT x SEGMENT segment, padded with its edge pixels, after the horizontal predictor (TIFF 6.0 sec. 14)."""
    pad = ((0, SEGMENT - part.shape[0]), (0, SEGMENT - part.shape[1]), (0, 0))
    full = np.ascontiguousarray(np.pad(part, pad, mode="edge") if any(p[1] for p in pad) else part)
    if spec.codec == "none":
        return full.tobytes()
    delta = imagecodecs.delta_encode(full, axis=-2)
    if spec.codec == "zstd":
        return bytes(imagecodecs.zstd_encode(delta.tobytes(), level=1))
    if spec.codec == "deflate":
        return bytes(imagecodecs.deflate_encode(delta.tobytes(), level=3, raw=False))
    raise BadSettings(f"codec {spec.codec!r}", expected="deflate, zstd or none", attempt="--codec deflate")


def halved(view: Pixels, spec: MasterSpec) -> Pixels:
    """Area average of 2 x 2 px; colors are weighted by alpha so that uncovered pixels do not darken edges."""
    size = ((view.shape[1] + 1) // 2, (view.shape[0] + 1) // 2)
    even = np.pad(view, ((0, view.shape[0] % 2), (0, view.shape[1] % 2), (0, 0)), mode="edge")
    if not spec.alpha or even[..., -1].min() == np.iinfo(view.dtype).max:
        return cv2.resize(even, size, interpolation=cv2.INTER_AREA).reshape(size[1], size[0], spec.samples)
    weight = even[..., -1:].astype(np.float32)
    color = cv2.resize(even[..., :-1] * weight, size, interpolation=cv2.INTER_AREA).reshape(size[1], size[0], -1)
    cover = cv2.resize(weight, size, interpolation=cv2.INTER_AREA).reshape(size[1], size[0], 1)
    mean = np.divide(color, cover, out=np.zeros_like(color), where=cover > 0)
    return np.rint(np.concatenate([mean, cover], axis=2)).astype(view.dtype)


def _parts(view: Pixels) -> Iterator[list[Pixels]]:
    for row in range(0, view.shape[0], SEGMENT):
        yield [view[row : row + SEGMENT, col : col + SEGMENT] for col in range(0, view.shape[1], SEGMENT)]


def _write_levels(partial: Path, spec: MasterSpec, blocks: Iterable[EncodedBlock]) -> None:
    """Full size first, streamed; the encoded inner views are kept (small: a third of the file) and follow."""
    inner: list[list[bytes]] = [[] for _ in range(INNER_LEVELS)]
    small = np.zeros((*level_size(spec, INNER_LEVELS + 1), spec.samples), spec.dtype)
    outer = _outer_count(small.shape[:2])
    big = spec.height * spec.width * spec.samples * np.dtype(spec.dtype).itemsize > 1.9 * 2**30
    with tifffile.TiffWriter(partial, bigtiff=big) as writer:
        full = _ordered(blocks, spec, inner, small)
        _write_level(writer, spec, full, level_size(spec, 0), subifds=INNER_LEVELS + outer)
        for level, segments in enumerate(inner, start=1):
            _write_level(writer, spec, iter(segments), level_size(spec, level))
        for level in range(INNER_LEVELS + 1, INNER_LEVELS + 1 + outer):
            segments = [encode_segment(part, spec) for row in _parts(small) for part in row]
            _write_level(writer, spec, iter(segments), level_size(spec, level))
            small = halved(small, spec)


def level_size(spec: MasterSpec, level: int) -> tuple[int, int]:
    """(height, width) px of reduced view `level`, each halving rounded up."""
    return -(-spec.height // 2**level), -(-spec.width // 2**level)


def _outer_count(size: tuple[int, ...]) -> int:
    count, side = 1, max(size)
    while side > SMALLEST_VIEW:
        count, side = count + 1, -(-side // 2)
    return count


def _ordered(
    blocks: Iterable[EncodedBlock], spec: MasterSpec, inner: list[list[bytes]], small: Pixels
) -> Iterator[bytes]:
    """Yield full-size segments in file order, one row of blocks at a time; fill `inner` and `small` on the way."""
    source = iter(blocks)
    across = -(-spec.width // BLOCK)
    step = BLOCK >> (INNER_LEVELS + 1)
    for row in range(-(-spec.height // BLOCK)):
        line = [next(source) for _ in range(across)]
        for level in range(1, INNER_LEVELS + 1):
            inner[level - 1].extend(_row_of_segments(line, level))
        for col, block in enumerate(line):
            h, w = block.small.shape[:2]
            small[row * step : row * step + h, col * step : col * step + w] = block.small
        yield from _row_of_segments(line, 0)


def _row_of_segments(line: Sequence[EncodedBlock], level: int) -> Iterator[bytes]:
    """Segments of a row of blocks, row by row across all blocks."""
    for row in range(len(line[0].segments[level])):
        for block in line:
            yield from block.segments[level][row]


def _write_level(
    writer: tifffile.TiffWriter, spec: MasterSpec, segments: Iterator[bytes], size: tuple[int, int], subifds: int = 0
) -> None:
    scale = size[1] / spec.width
    extra = [(34675, 7, len(spec.icc), spec.icc, True)] if spec.icc else []
    writer.write(
        segments,
        shape=(*size, spec.samples) if spec.samples > 1 else size,
        dtype=spec.dtype,
        photometric="rgb" if spec.channels == 3 else "minisblack",
        planarconfig="contig" if spec.samples > 1 else None,
        extrasamples=["unassalpha"] if spec.alpha else None,
        tile=(SEGMENT, SEGMENT),
        compression={"deflate": 8, "zstd": "zstd", "none": None}[spec.codec],
        predictor=2 if spec.codec != "none" else None,
        subifds=subifds or None,
        subfiletype=0 if subifds else 1,
        resolution=(spec.dpi * scale, spec.dpi * scale),
        resolutionunit=2,
        software="stitchbed",
        metadata=None,
        extratags=extra if subifds else [],
    )
