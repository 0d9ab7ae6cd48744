"""I read header and pixel windows of TIFF files.

In: a path. Out: a `Header`, and `Stored` pixels of which any box can be had without decoding the rest.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.ground.box import Box, clipped, shifted
from stitchbed.scans.cache import PieceCache
from stitchbed.scans.density import from_tiff
from stitchbed.scans.faults import telling
from stitchbed.scans.fetching import fetcher
from stitchbed.scans.header import Header, Stored
from stitchbed.scans.profile import checked_profile
from stitchbed.scans.tags import Source, blob, fraction, number, source_of
from stitchbed.scans.tiff_page import Page, page_of, picture_directory
from stitchbed.scans.tiff_pieces import decode_piece, unpacked
from stitchbed.scans.tile import Raster
from stitchbed.scans.turning import swapped

Pixels = NDArray[Any]


def read_header(path: Path, max_pixels: int) -> Header:
    """What the first full-size page says of itself; no pixel is decoded.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : see `tiff_page`.
    """
    with telling(path, "reading its header"), open(path, "rb") as file:
        directory = picture_directory(_source(path, file))
        page = page_of(directory, max_pixels)
        dpi = from_tiff(number(directory, 296, 2), fraction(directory, 282), fraction(directory, 283))
        icc, notes = checked_profile(blob(directory, 34675), page.color)
        turn = number(directory, 274, 1)
    turn = turn if 1 <= turn <= 8 else 1
    shape = (*swapped((page.height, page.width), turn), page.color)
    shown_dpi = None if dpi is None else swapped(dpi, turn)
    raster = Raster(shape, page.dtype, page.bits, icc, shown_dpi, True, page.alpha is not None)
    return Header(raster, turn, page.associated, page, notes)


def open_stored(path: Path, header: Header, cache: PieceCache, scratch: Path | None) -> Stored:
    """Open the file and promise its pixels in the order they are stored; `scratch` is not needed."""
    page: Page = header.layout
    with telling(path, "opening it"):
        file = open(path, "rb", buffering=0)  # noqa: SIM115  (closed by Stored.close)
    fetch = fetcher(path, file)
    owner = object()
    if page.compression == "none" and not page.tiled:
        read = partial(_read_rows, page, fetch)
    else:
        read = partial(_read_pieces, page, fetch, cache, owner)

    def close() -> None:
        cache.forget(owner)
        file.close()

    samples = page.color + (page.alpha is not None)
    return Stored(page.height, page.width, samples, page.dtype, page.piece_height, partial(_colored, page, read), close)


def _source(path: Path, file: IO[bytes]) -> Source:
    size = file.seek(0, 2)

    def read(offset: int, count: int) -> bytes:
        file.seek(offset)
        return file.read(count)

    return source_of(path, size, read)


def _colored(page: Page, read: Callable[[Box, list[int]], Pixels], box: Box) -> Pixels:
    """Stored samples of a box as gray or RGB (and alpha): inverted, expanded, stretched to 0..255 where needed."""
    inside = 1 if page.photometric == 3 else page.color
    chosen = [*range(inside), *([] if page.alpha is None else [page.alpha])]
    raw = read(box, chosen)
    if page.palette is not None:
        rgb = page.palette[raw[..., 0]]
        return rgb if page.alpha is None else np.concatenate([rgb, raw[..., 1:]], axis=2)
    if page.bits == 1:
        raw = raw * np.uint8(255)
    if page.photometric == 0:
        raw[..., 0] = np.iinfo(raw.dtype).max - raw[..., 0]
    return raw


def _read_rows(page: Page, fetch: Callable[[int, int], bytearray], box: Box, chosen: list[int]) -> Pixels:
    """A box of an uncompressed file with strips, straight from the file."""
    if page.planes_apart:
        planes = [_plane_rows(page, fetch, box, sample) for sample in chosen]
        return np.concatenate(planes, axis=2)
    whole = _plane_rows(page, fetch, box, 0)
    return whole if len(chosen) == page.samples else whole[..., chosen]


def _plane_rows(page: Page, fetch: Callable[[int, int], bytearray], box: Box, plane: int) -> Pixels:
    """(h, w, piece_samples) of a box: whole rows when the box is wide, else each row's own bytes."""
    out = np.empty((box.height, box.width, page.piece_samples), page.dtype)
    down = page.grid[0]
    wide = 2 * box.width >= page.width or page.bits < 8
    row = box.row
    while row < box.bottom:
        strip, within = divmod(row, page.piece_height)
        rows = min(page.piece_height - within, box.bottom - row)
        offset = int(page.offsets[plane * down + strip]) + within * page.row_bytes
        target = out[row - box.row : row - box.row + rows]
        if wide:
            raw = fetch(offset, rows * page.row_bytes)
            target[:] = unpacked(page, _bit_ordered(page, raw), rows, page.width)[:, box.col : box.right]
        else:
            _narrow_rows(page, fetch, offset, box, target)
        row += rows
    return out


def _narrow_rows(page: Page, fetch: Callable[[int, int], bytearray], offset: int, box: Box, out: Pixels) -> None:
    pixel = page.piece_samples * page.bits // 8
    for index in range(out.shape[0]):
        raw = fetch(offset + index * page.row_bytes + box.col * pixel, box.width * pixel)
        out[index] = unpacked(page, _bit_ordered(page, raw), 1, box.width)[0]


def _bit_ordered(page: Page, raw: bytearray) -> bytes | bytearray:
    if not page.low_bit_first:
        return raw
    turned = np.packbits(np.unpackbits(np.frombuffer(raw, np.uint8), bitorder="little"))
    return turned.tobytes()


def _read_pieces(
    page: Page, fetch: Callable[[int, int], bytearray], cache: PieceCache, owner: object, box: Box, chosen: list[int]
) -> Pixels:
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
                piece = cache.get((owner, index), partial(_piece, page, fetch, index))
                origin = (row * page.piece_height, col * page.piece_width)
                _paste(out[..., target], piece if page.planes_apart else piece[..., chosen], box, origin)
    return out


def _piece(page: Page, fetch: Callable[[int, int], bytearray], index: int) -> Pixels:
    """One decoded strip or tile, cut to the rows that lie in the picture when it is a strip."""
    down, across = page.grid
    row = index // across % down
    rows = page.piece_height if page.tiled else min(page.piece_height, page.height - row * page.piece_height)
    data = bytes(fetch(int(page.offsets[index]), int(page.counts[index])))
    return decode_piece(page, data, rows)


def _paste(out: Pixels, piece: Pixels, box: Box, origin: tuple[int, int]) -> None:
    """Copy what a piece that begins at `origin` has of the box."""
    at = Box(*origin, *piece.shape[:2])
    part = clipped(box, at)
    there = shifted(part, -box.row, -box.col)
    here = shifted(part, -at.row, -at.col)
    out[there.slices] = piece[here.slices]
