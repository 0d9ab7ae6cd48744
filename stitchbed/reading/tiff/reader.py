"""I read header and pixel windows of TIFF files.

In: a path. Out: a `Header`, and `Stored` pixels of which any box can be had without decoding the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import product
from pathlib import Path
from typing import IO

import numpy as np

from stitchbed.core.addresses import address_of, file_of
from stitchbed.core.arrays import Pixels
from stitchbed.imaging.box import Box, clipped, shifted
from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.base.faults import telling
from stitchbed.reading.base.fetching import Fetch, fetcher
from stitchbed.reading.base.header import Header, Stored
from stitchbed.reading.base.spill import spilled
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.metadata.density import from_tiff
from stitchbed.reading.metadata.icc import checked_profile
from stitchbed.reading.metadata.losses import lossy
from stitchbed.reading.metadata.tags import blob, fraction, number, source_in
from stitchbed.reading.tiff.colors import colored, notes_on
from stitchbed.reading.tiff.decode import PART_BYTES, bit_ordered, decode_piece, inflated_parts, unpacked
from stitchbed.reading.tiff.layout import TiffPage
from stitchbed.reading.tiff.page import Pages, layout_of, page_of
from stitchbed.reading.tiff.pictures import Pictures, pictures_of
from stitchbed.reading.views.orientation import swapped

Read = Callable[[Box, Sequence[int]], Pixels]
Keep = Callable[[int, Callable[[], Pixels]], Pixels]

SPILL_ABOVE = 16 * 2**20  # decoded bytes of one compressed strip; larger ones would push everything else off a shelf


def count(path: Path) -> int:
    """How many pictures the file holds.

    Raises
    ------
    UnreadableTile : see `pictures`.
    """
    return len(_pictures(path).directories)


def read_header(path: Path, max_pixels: int) -> Header:
    """What one picture says of itself, the first when the path names none; no pixel is decoded.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : see `pictures`, `page`.
    """
    address = address_of(path)
    with telling(path, "reading its header"), address.file.open("rb") as file:
        pictures = pictures_of(source_in(path, file))
        place = (address.number or 1) - 1
        directory = pictures.directories[place]
        page = page_of(directory, max_pixels)
        layout = layout_of(directory, page)
        dpi = from_tiff(number(directory, 296, 2), fraction(directory, 282), fraction(directory, 283))
        icc, notes = checked_profile(blob(directory, 34675), page.color)
        turn = number(directory, 274, 1)
    turn = turn if 1 <= turn <= 8 else 1
    shape = (*swapped((page.height, page.width), turn), page.color)
    shown_dpi = None if dpi is None else swapped(dpi, turn)
    lost = lossy("the JPEG in it", bits=8, halved=page.photometric == 6) if page.compression == "jpeg" else ()
    windowed = page.compression == "none" or page.piece_bytes <= SPILL_ABOVE
    raster = Raster(shape, page.dtype, page.bits, icc, shown_dpi, windowed, page.alpha is not None, lost=lost)
    return Header(
        raster,
        turn,
        page.associated,
        layout,
        (*notes, *notes_on(page, icc), *(() if place else pictures.notes)),
    )


def open_stored(path: Path, header: Header, *, cache: PieceCache, scratch: Path | None) -> Stored:
    """Open the file and promise its pixels in the order they are stored.

    cache : keeps decoded strips or tiles. scratch : takes the decoded file when those are too large to be kept.
    """
    layout: Pages = header.layout
    with telling(path, "opening it"):
        file = file_of(path).open("rb", buffering=0)  # closed by Stored.close
    if not header.raster.windowed:
        return _spilled(path, layout.page, file, scratch)
    owner = object()

    def close() -> None:
        cache.forget(owner)
        file.close()

    fetch = fetcher(path, file)
    readers = [
        _reader(page, fetch, partial(_kept, path, cache, (owner, level)))
        for level, page in enumerate((layout.page, *layout.levels))
    ]
    full, *levels = [replace(reader, close=close) for reader in readers]
    return replace(full, levels=tuple(levels))


def _reader(page: TiffPage, fetch: Fetch, keep: Keep) -> Stored:
    if page.compression == "none" and not page.tiled:
        page = _joined(page)
        piece = 1, page.width
        read = partial(_colored, page, partial(_read_rows, page, fetch))
    else:
        piece = page.piece_height, page.piece_width
        read = partial(_colored, page, partial(_read_pieces, page, fetch, keep))
    return Stored(page.height, page.width, page.handed_out, page.dtype, piece, read, lambda: None)


def _kept(path: Path, cache: PieceCache, whose: tuple[object, int], index: int, make: Callable[[], Pixels]) -> Pixels:
    with telling(path, f"decoding piece {index + 1} of it"):
        return cache.get((*whose, index), make)


def at_once(header: Header) -> int:
    """Bytes that decoding a strip or tile takes which is too large to be kept; 0 where all of them are small."""
    page: TiffPage = header.layout.page
    if header.raster.windowed:
        return 0
    if _streamed(page):
        return 6 * PART_BYTES
    planes = len(page.chosen) if page.planes_apart else 1
    return int(page.counts.max()) + (2 + planes) * max(page.piece_bytes, page.piece_height * page.row_bytes)


def _streamed(page: TiffPage) -> bool:
    return page.compression == "deflate" and not page.tiled and not page.planes_apart


def _spilled(path: Path, page: TiffPage, file: IO[bytes], scratch: Path | None) -> Stored:
    """Decode every piece once into scratch."""
    parts = _strip_parts if _streamed(page) else _piece_parts
    shape = (page.height, page.width, page.handed_out)
    with file:
        return spilled(parts(path, page, fetcher(path, file)), shape, page.dtype, scratch=scratch, path=path)


def _piece_parts(path: Path, page: TiffPage, fetch: Fetch) -> Iterator[tuple[Box, Pixels]]:
    """The picture piece by piece, each cut into flat boxes."""
    down, across = page.grid
    whole = Box(0, 0, page.height, page.width)
    for row, col in product(range(down), range(across)):
        at = Box(row * page.piece_height, col * page.piece_width, page.piece_height, page.piece_width)
        cell = clipped(at, whole)
        held: dict[int, Pixels] = {}

        def keep(index: int, make: Callable[[], Pixels], held: dict[int, Pixels] = held) -> Pixels:
            if index not in held:
                with telling(path, f"decoding piece {index + 1} of it"):
                    held[index] = make()
            return held[index]

        read = partial(_read_pieces, page, fetch, keep)
        rows = max(1, PART_BYTES // (cell.width * page.handed_out * 2))
        for top in range(cell.row, cell.bottom, rows):
            flat = Box(top, cell.col, min(rows, cell.bottom - top), cell.width)
            yield flat, _colored(page, read, flat)


def _strip_parts(path: Path, page: TiffPage, fetch: Fetch) -> Iterator[tuple[Box, Pixels]]:
    """The picture in parts of deflated strips, so that a strip of any size takes a few megabytes."""
    for index, top in enumerate(range(0, page.height, page.piece_height)):
        row, size, start = top, int(page.counts[index]), int(page.offsets[index])
        ends = [min(at + PART_BYTES, size) for at in range(0, size, PART_BYTES)]
        steps = [(at, end - at) for at, end in zip([0, *ends[:-1]], ends, strict=True)]
        packed = (fetch(start + at, 1, length, length).tobytes() for at, length in steps)
        with telling(path, f"decoding piece {index + 1} of it"):
            for part in inflated_parts(page, packed, min(page.piece_height, page.height - top)):
                box = Box(row, 0, part.shape[0], page.width)
                yield box, _colored(page, partial(_chosen, part), box)
                row += part.shape[0]


def _chosen(part: Pixels, box: Box, chosen: Sequence[int]) -> Pixels:
    """The samples asked for of the part of a strip that fills the box."""
    return part if len(chosen) == part.shape[2] else part[..., chosen]


def _pictures(path: Path) -> Pictures:
    with telling(path, "reading its header"), path.open("rb") as file:
        return pictures_of(source_in(path, file))


def _colored(page: TiffPage, read: Read, box: Box) -> Pixels:
    """A box as gray or RGB (and alpha)."""
    return colored(page, read(box, page.chosen))


def _read_rows(page: TiffPage, fetch: Fetch, box: Box, chosen: Sequence[int]) -> Pixels:
    """A box of an uncompressed file with strips, straight from the file."""
    if page.planes_apart:
        return np.concatenate([_plane_rows(page, fetch, box, sample) for sample in chosen], axis=2)
    whole = _plane_rows(page, fetch, box, 0)
    return whole if len(chosen) == page.samples else whole[..., chosen]


def _plane_rows(page: TiffPage, fetch: Fetch, box: Box, plane: int) -> Pixels:
    """(h, w, piece_samples) of a box of one plane (plane 0 holds all samples unless planes are apart)."""
    runs = []
    row = box.row
    while row < box.bottom:
        strip, within = divmod(row, page.piece_height)
        rows = min(page.piece_height - within, box.bottom - row)
        start = int(page.offsets[plane * page.grid[0] + strip]) + within * page.row_bytes
        runs.append(_strip_rows(page, fetch, start, rows, (box.col, box.width)))
        row += rows
    return runs[0] if len(runs) == 1 else np.concatenate(runs)


def _strip_rows(page: TiffPage, fetch: Fetch, start: int, rows: int, span: tuple[int, int]) -> Pixels:
    """Rows of one strip from byte `start` on; span : (first column, columns)."""
    col, width = span
    if page.bits % 8:
        raw = fetch(start, rows, page.row_bytes, page.row_bytes)
        return unpacked(page, bit_ordered(page, raw.tobytes()), rows, page.width)[:, col : col + width]
    pixel = page.piece_samples * page.bits // 8
    raw = fetch(start + col * pixel, rows, width * pixel, page.row_bytes)
    if page.low_bit_first or page.floating:
        return unpacked(page, bit_ordered(page, raw.tobytes()), rows, width)
    stored = raw.view(page.order + "u2").astype(np.uint16, copy=False) if page.bits == 16 else raw
    return stored.reshape(rows, width, page.piece_samples)


def _read_pieces(page: TiffPage, fetch: Fetch, keep: Keep, box: Box, chosen: Sequence[int]) -> Pixels:
    """A box put together from the decoded strips or tiles it touches."""
    out = np.empty((box.height, box.width, len(chosen)), page.dtype)
    down, across = page.grid
    planes: list[tuple[slice, int]] = [(slice(None), 0)]
    if page.planes_apart:
        planes = [(slice(place, place + 1), sample) for place, sample in enumerate(chosen)]
    for row in range(box.row // page.piece_height, -(-box.bottom // page.piece_height)):
        for col in range(box.col // page.piece_width, -(-box.right // page.piece_width)):
            for target, plane in planes:
                index = (plane * down + row) * across + col
                piece = keep(index, partial(_piece, page, fetch, index))
                origin = (row * page.piece_height, col * page.piece_width)
                _paste(out[..., target], piece, None if page.planes_apart else chosen, box, origin)
    return out


def _piece(page: TiffPage, fetch: Fetch, index: int) -> Pixels:
    """One decoded strip or tile, cut to the rows that lie in the picture when it is a strip."""
    down, across = page.grid
    row = index // across % down
    rows = page.piece_height if page.tiled else min(page.piece_height, page.height - row * page.piece_height)
    size = int(page.counts[index])
    data = fetch(int(page.offsets[index]), 1, size, size)
    return decode_piece(page, data.tobytes(), rows)


def _paste(out: Pixels, piece: Pixels, chosen: Sequence[int] | None, box: Box, origin: tuple[int, int]) -> None:
    """Copy what a piece that begins at `origin` has of the box; chosen : samples of the piece, None for all."""
    at = Box(*origin, *piece.shape[:2])
    part = clipped(box, at)
    there = shifted(part, -box.row, -box.col)
    here = shifted(part, -at.row, -at.col)
    if chosen is None or len(chosen) == piece.shape[2]:
        out[there.slices] = piece[here.slices]
        return
    for place, sample in enumerate(chosen):
        out[(*there.slices, place)] = piece[(*here.slices, sample)]


def _joined(page: TiffPage) -> TiffPage:
    """The page with strips that follow one another without a gap taken as one strip per plane."""
    down = page.grid[0]
    starts = page.offsets.reshape(-1, down)
    if page.tiled or np.any(np.diff(starts, axis=1) != page.piece_height * page.row_bytes):
        return page
    return replace(
        page, piece_height=page.height, offsets=starts[:, 0], counts=page.counts.reshape(-1, down).sum(axis=1)
    )
