"""I write finished blocks into one tiled file with profile, dpi and reduced views, then rename it in.

In: a `MasterSpec` and blocks of stored pixels in file order. Out: one TIFF (BigTIFF where needed), whole or not at all.

Blocks are 1024 px (`BLOCK`); each is cut into 256 px segments and halved twice on the spot, encoded by whichever
thread made it, and kept on disk by rows of blocks, so that no step ever holds more than one row.
"""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path
from typing import IO, Any

import cv2
import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from stitchbed.core.arrays import Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.core.files import cannot_write, claimed, refuse_touching
from stitchbed.core.kept import is_kept, keep, open_kept
from stitchbed.imaging.compiled import compiled


@dataclass(frozen=True)
class EncodedBlock:
    """One block as it goes to the file: encoded segments [level][row][col] and the view at 1/2**(INNER_LEVELS+1)."""

    segments: tuple[tuple[tuple[bytes, ...], ...], ...]
    small: NDArray[Any]


def row_path(folder: Path, row: int) -> Path:
    """Where row number `row` is kept."""
    return folder / f"row-{row:05d}"


def write_row(folder: Path, row: int, line: Sequence[EncodedBlock], job: str = "", marks: Sequence[str] = ()) -> None:
    """Keep one row of blocks, whole or not at all.

    job : fingerprint of all that made it, for a run that goes on from it; "" for a row that outlives no run. marks :
    of each block, what it alone was made from.
    """
    levels = [list(_row_of_segments(line, level)) for level in range(len(line[0].segments))]
    small = np.ascontiguousarray(np.concatenate([block.small for block in line], axis=1))
    lengths = [[len(s) for s in level] for level in levels]
    head = {
        **_head(row, job),
        "blocks": list(marks),
        "lengths": lengths,
        "shape": small.shape,
        "dtype": str(small.dtype),
    }
    keep(row_path(folder, row), head, [*chain.from_iterable(levels), small.tobytes()], lasting=bool(job))


def row_is_kept(folder: Path, row: int, job: str) -> bool:
    """Whether this row of this job is there and still as it was written."""
    return is_kept(row_path(folder, row), _head(row, job))


def kept_marks(folder: Path, row: int) -> list[str]:
    """What the blocks of a kept row were made from."""
    with open_kept(row_path(folder, row)) as (head, _):
        return [str(mark) for mark in head["blocks"]]


def read_blocks(folder: Path, row: int, spec: MasterSpec) -> list[EncodedBlock]:
    """The blocks of a kept row as they were encoded."""
    widths = [min(BLOCK, spec.width - col) for col in range(0, spec.width, BLOCK)]
    height = min(BLOCK, spec.height - row * BLOCK)
    levels: list[list[list[tuple[bytes, ...]]]] = [[] for _ in widths]
    for level in range(INNER_LEVELS + 1):
        segments = read_segments(folder, row, level)
        counts = [-(-level_side(width, level) // SEGMENT) for width in widths]
        rows = [[tuple(islice(segments, n)) for n in counts] for _ in range(-(-level_side(height, level) // SEGMENT))]
        for k, parts in enumerate(levels):
            parts.append([line[k] for line in rows])
    small = read_small(folder, row)
    edges = np.cumsum([0, *(level_side(width, INNER_LEVELS + 1) for width in widths)])
    return [
        EncodedBlock(tuple(tuple(level) for level in parts), small[:, edges[k] : edges[k + 1]])
        for k, parts in enumerate(levels)
    ]


def level_side(side: int, level: int) -> int:
    """px of a side of reduced view `level`, each halving rounded up."""
    return -(-side // 2**level)


def _head(row: int, job: str) -> dict[str, Any]:
    return {"holds": "row", "job": job, "row": row}


def read_segments(folder: Path, row: int, level: int) -> Iterator[bytes]:
    """Segments of one level of one row, in file order."""
    with open_kept(row_path(folder, row)) as (head, file):
        file.seek(sum(sum(lengths) for lengths in head["lengths"][:level]), os.SEEK_CUR)
        for length in head["lengths"][level]:
            yield file.read(length)


def read_small(folder: Path, row: int) -> NDArray[Any]:
    """The smallest view of a row, (h, w, samples)."""
    with open_kept(row_path(folder, row)) as (head, file):
        file.seek(sum(sum(lengths) for lengths in head["lengths"]), os.SEEK_CUR)
        size = math.prod(head["shape"]) * np.dtype(head["dtype"]).itemsize
        return np.frombuffer(file.read(size), head["dtype"]).reshape(head["shape"])


def _row_of_segments(line: Sequence[EncodedBlock], level: int) -> Iterator[bytes]:
    """Segments of a row of blocks, row by row across all blocks."""
    for row in range(len(line[0].segments[level])):
        for block in line:
            yield from block.segments[level][row]


SEGMENT = 256  # px; small enough that a viewer reads little for a detail, large enough for the codec
BLOCK = 1024  # px; SEGMENT * 2**INNER_LEVELS
INNER_LEVELS = 2
BIG = (
    1.9 * 2**30
)  # bytes of pixels past which the file is a BigTIFF (32-bit offsets end at 4 GiB; codecs can expand noise)
LEVEL = 1  # of the codec: deflate at 3 takes twice as long for a file 3 to 7 % smaller, measured on scans
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


def encode_block(block: Pixels, spec: MasterSpec) -> EncodedBlock:
    """Encode one (h, w, samples) block (h, w <= BLOCK) at full size and at the inner reduced sizes."""
    levels = []
    view = block.reshape(*block.shape[:2], spec.samples)
    for _ in range(INNER_LEVELS + 1):
        levels.append(tuple(tuple(encode_segment(part, spec) for part in row) for row in _parts(view)))
        view = halved(view, spec)
    return EncodedBlock(tuple(levels), view)


def write_master(
    path: Path, spec: MasterSpec, blocks: Iterable[EncodedBlock], *, originals: Sequence[Path] = ()
) -> None:
    """Write the blocks (file order, rows of BLOCK px) to `path`.

    Raises
    ------
    CannotWrite, WouldTouchOriginal : see `core.record.claimed`. BadSettings : unknown codec.
    """
    refuse_touching(path, originals)
    source, across = iter(blocks), -(-spec.width // BLOCK)
    try:
        with tempfile.TemporaryDirectory(
            prefix=f".{path.name}.{os.getpid()}.", suffix=".rows", dir=path.parent
        ) as folder:
            for row in range(row_count(spec)):
                write_row(Path(folder), row, [next(source) for _ in range(across)])
            next(source, None)  # a source that tells how far it is tells of its last block when asked for more
            assemble(path, spec, Path(folder), originals=originals)
    except OSError as error:
        raise cannot_write(path, error) from error


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
        return bytes(imagecodecs.zstd_encode(delta.tobytes(), level=LEVEL))
    if spec.codec == "deflate":
        return bytes(imagecodecs.deflate_encode(delta.tobytes(), level=LEVEL, raw=False))
    raise BadSettings(f"codec {spec.codec!r}", expected="deflate, zstd or none", attempt="--codec deflate")


def halved(view: Pixels, spec: MasterSpec) -> Pixels:
    """Area average of 2 x 2 px; colors are weighted by alpha so that uncovered pixels do not darken edges."""
    if not spec.alpha:
        return _halved(view)
    parts = [[_halved_by_alpha(part) for part in row] for row in _parts(view)]
    return np.concatenate([np.concatenate(row, axis=1) for row in parts])


def _halved(view: Pixels) -> Pixels:
    size = ((view.shape[1] + 1) // 2, (view.shape[0] + 1) // 2)
    return cv2.resize(_evened(view), size, interpolation=cv2.INTER_AREA).reshape(size[1], size[0], -1)


def _halved_by_alpha(view: Pixels) -> Pixels:
    if (view[..., -1] == np.iinfo(view.dtype).max).all():
        return _halved(view)
    even = _evened(view)
    small = np.empty((even.shape[0] // 2, even.shape[1] // 2, even.shape[2]), view.dtype)
    _weigh(np.ascontiguousarray(even), small)  # a part of a row would have the loop made anew
    return small


@compiled
def _weigh(view: Pixels, small: Pixels) -> None:
    """Fill `small` (h, w, c + 1) with the mean color of 2 x 2 px of `view`, weighted by alpha, and their mean alpha."""
    last = view.shape[2] - 1
    for y in range(small.shape[0]):
        for x in range(small.shape[1]):
            weight = 0.0
            for k in range(4):
                weight += view[2 * y + k // 2, 2 * x + k % 2, last]
            small[y, x, last] = np.uint32(np.rint(weight / 4))
            for c in range(last):
                total = 0.0
                for k in range(4):
                    row, col = 2 * y + k // 2, 2 * x + k % 2
                    total += np.float64(view[row, col, c]) * view[row, col, last]
                small[y, x, c] = np.uint32(np.rint(total / weight)) if weight > 0 else np.uint32(0)


def _evened(view: Pixels) -> Pixels:
    """With as many rows and columns as halve, the last ones repeated."""
    odd = view.shape[0] % 2, view.shape[1] % 2
    return np.pad(view, ((0, odd[0]), (0, odd[1]), (0, 0)), mode="edge") if any(odd) else view


def _parts(view: Pixels) -> Iterator[list[Pixels]]:
    for row in range(0, view.shape[0], SEGMENT):
        yield [view[row : row + SEGMENT, col : col + SEGMENT] for col in range(0, view.shape[1], SEGMENT)]


def assemble(path: Path, spec: MasterSpec, folder: Path, *, originals: Sequence[Path] = ()) -> None:
    """Make the master from the rows kept in `folder` (see `rows`), full size first, then each reduced view.

    Raises
    ------
    CannotWrite, WouldTouchOriginal : see `core.record.claimed`.
    """
    rows = range(row_count(spec))
    outer = _outer_count(level_size(spec, INNER_LEVELS + 1))
    big = spec.height * spec.width * spec.samples * np.dtype(spec.dtype).itemsize > BIG
    with (
        claimed(path, originals=originals) as partial,
        tifffile.TiffWriter(partial, bigtiff=big) as writer,
        ExitStack() as views,
    ):
        for level in range(INNER_LEVELS + 1):
            segments = (segment for row in rows for segment in read_segments(folder, row, level))
            _write_level(writer, spec, segments, level_size(spec, level), 0 if level else INNER_LEVELS + outer)
        strips = _in_strips(read_small(folder, row) for row in rows)
        for level in range(INNER_LEVELS + 1, INNER_LEVELS + 1 + outer):
            next_view = views.enter_context(tempfile.TemporaryFile(dir=folder))
            _write_level(writer, spec, _segments(strips, spec, next_view), level_size(spec, level))
            strips = _strips_of(next_view, spec, level_size(spec, level + 1))


def _segments(strips: Iterable[Pixels], spec: MasterSpec, next_view: IO[bytes]) -> Iterator[bytes]:
    """Encoded segments of a view that comes in strips; its halves go to `next_view`, for it may not fit in memory."""
    for strip in strips:
        next_view.write(halved(strip, spec).tobytes())
        yield from (encode_segment(part, spec) for row in _parts(strip) for part in row)


def _in_strips(parts: Iterable[Pixels]) -> Iterator[Pixels]:
    """The rows that come in parts, SEGMENT at a time."""
    held: list[Pixels] = []
    for part in parts:
        whole = np.concatenate([*held, part])
        full = len(whole) // SEGMENT * SEGMENT
        yield from (whole[row : row + SEGMENT] for row in range(0, full, SEGMENT))
        held = [whole[full:]] if full < len(whole) else []
    yield from held


def _strips_of(file: IO[bytes], spec: MasterSpec, size: tuple[int, int]) -> Iterator[Pixels]:
    """The rows of a view kept in a file, SEGMENT at a time."""
    file.seek(0)
    line = size[1] * spec.samples * np.dtype(spec.dtype).itemsize
    for row in range(0, size[0], SEGMENT):
        rows = min(SEGMENT, size[0] - row)
        yield np.frombuffer(file.read(rows * line), spec.dtype).reshape(rows, size[1], spec.samples)


def row_count(spec: MasterSpec) -> int:
    """Rows of blocks in the master."""
    return -(-spec.height // BLOCK)


def level_size(spec: MasterSpec, level: int) -> tuple[int, int]:
    """(height, width) px of reduced view `level`, each halving rounded up."""
    return -(-spec.height // 2**level), -(-spec.width // 2**level)


def _outer_count(size: tuple[int, ...]) -> int:
    count, side = 1, max(size)
    while side > SMALLEST_VIEW:
        count, side = count + 1, -(-side // 2)
    return count


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
