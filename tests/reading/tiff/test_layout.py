"""I check the arithmetic of strips and tiles against tifffile's, and that pieces outside the file are refused."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from picture_files import palette, scene

from stitchbed.core.errors import UnreadableTile
from stitchbed.reading.metadata.tags import Source, directories, source_of
from stitchbed.reading.tiff.layout import MOST_PIECE, TiffPage, check_extents, check_pieces
from stitchbed.reading.tiff.page import page_of

PATH = Path("a.tif")
WAYS = [
    {"rowsperstrip": 10},
    {"tile": (16, 32)},
    {"rowsperstrip": 7, "planarconfig": "separate"},
    {"tile": (32, 16), "planarconfig": "separate"},
    {"rowsperstrip": 10, "extrasamples": ["unassalpha"]},
]


def written(way: dict, dtype: str = "uint8") -> tuple[TiffPage, tifffile.TiffPage, Source]:
    """A plain file of tifffile: as read here, as tifffile reads it, its bytes."""
    way = {"photometric": "rgb", **way}
    pixels = scene(4 if "extrasamples" in way else 3, dtype)
    if way.get("planarconfig") == "separate":
        pixels = np.ascontiguousarray(pixels.transpose(2, 0, 1))
    file = io.BytesIO()
    tifffile.imwrite(file, pixels, **way)
    data = file.getvalue()
    source = source_of(PATH, len(data), lambda offset, size: data[offset : offset + size])
    return page_of(next(directories(source)), 10**9), tifffile.TiffFile(io.BytesIO(data)).pages[0], source


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_pieces_are_those_tifffile_counts(way: dict, dtype: str) -> None:
    page, seen, _ = written(way, dtype)
    rows = -(-seen.imagelength // (seen.tilelength if seen.is_tiled else seen.rowsperstrip))
    cols = -(-seen.imagewidth // (seen.tilewidth if seen.is_tiled else seen.imagewidth))
    assert page.grid == (rows, cols)
    assert page.dtype == seen.dtype.name
    assert page.handed_out == len(page.chosen) == seen.samplesperpixel
    assert tuple(page.offsets) == seen.dataoffsets
    assert tuple(page.counts) == seen.databytecounts
    assert page.piece_bytes == page.piece_height * page.row_bytes == max(seen.databytecounts)


def test_single_bits_fill_whole_bytes_and_palettes_are_one_sample() -> None:
    page, _, _ = written({"rowsperstrip": 10})
    bits = replace(page, bits=1, samples=1, photometric=0, color=1)
    assert bits.row_bytes == 9  # TIFF 6.0, tag 262: rows begin at byte boundaries; 71 bits
    table = palette(256)
    assert replace(page, samples=1, photometric=3, color=3, palette=table).chosen == (0,)


@pytest.mark.parametrize("way", WAYS)
def test_exactly_the_bytes_needed_are_enough_and_one_less_is_not(way: dict) -> None:
    page, _, source = written(way)
    check_extents(page, source)
    for piece in range(page.counts.size):
        fewer = page.counts.copy()
        fewer[piece] -= 1
        with pytest.raises(UnreadableTile, match=f"{piece + 1} of {page.counts.size} has"):
            check_extents(replace(page, counts=fewer), source)


@pytest.mark.parametrize(
    ("shift", "count", "words"), [(1, 0, "should end at"), (-(10**6), 0, "damaged"), (0, 1, "strip 1 of 1")]
)
def test_pieces_lie_in_the_file(shift: int, count: int, words: str) -> None:
    page, _, source = written({"rowsperstrip": 53})
    exact = replace(source, size=int(page.offsets[0] + page.counts[0]))
    check_extents(page, exact)
    with pytest.raises(UnreadableTile, match=words):
        check_extents(replace(page, offsets=page.offsets + shift, counts=page.counts + count), exact)
    with pytest.raises(UnreadableTile, match="no data for strip 1 of 1"):
        check_extents(replace(page, counts=page.counts * 0), exact)


def test_pieces_nobody_can_decode_are_refused() -> None:
    page, _, _ = written({"tile": (16, 32)})
    check_pieces(page, PATH)
    with pytest.raises(UnreadableTile, match="fax compression with 8 bits"):
        check_pieces(replace(page, compression="fax 4"), PATH)
    rows = MOST_PIECE // (page.piece_width * 3)
    long = replace(page, compression="lzw", tiled=False, piece_height=rows)
    check_pieces(long, PATH)
    with pytest.raises(UnreadableTile, match=r"one piece of 2\.0 GiB"):
        check_pieces(replace(long, piece_height=rows + 1), PATH)
    with pytest.raises(UnreadableTile, match="larger than the picture"):
        check_pieces(replace(page, piece_height=4096, piece_width=4096), PATH)
