"""I write the proof page of a finished picture: the page, and beside it the tiles of the picture when it is large.

In: the record of a job and its canvas. Out: one HTML file, a folder of tiles, and what they weigh.
"""

from __future__ import annotations

import base64
import os
import shutil
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from stitchbed.core.errors import CannotWrite
from stitchbed.core.record import cannot_write, claimed, plain, write_json
from stitchbed.finishing.proof_pairs import PagePair
from stitchbed.reading.formats import open_windows
from stitchbed.report import tiles as pyramid_tiles
from stitchbed.report.overlays import overlay_shapes
from stitchbed.report.page import PageTiles, page_html
from stitchbed.report.records import page_record

INSIDE_PIXELS = 16_000_000  # up to here the tiles go into the page itself: some 6 MB, one file to pass on
OURS = "pyramid.json"  # says that a folder of tiles was written here, and may be written anew


def write_proof(
    path: Path, record: Mapping[str, Any], canvas: Path, *, pairs: Sequence[PagePair] = ()
) -> dict[str, Any]:
    """Write the page `path` (and its folder) for `canvas`; returns page and tile sizes in bytes, seconds, tile count.

    record : of a join, or of one step (color, rectify, clean); missing keys are fine.
    pairs : pictures from before and after it.

    Raises
    ------
    CannotWrite : the place cannot be written, or a folder of that name holds something else.
    UnreadableTile : the canvas cannot be read. WouldTouchOriginal : `path` is the canvas or one of the record's inputs.
    """
    begun = time.perf_counter()
    content = page_record(plain(dict(record)), canvas)
    with open_windows(canvas) as windows:
        height, width, _ = windows.raster.shape
        if width * height <= INSIDE_PIXELS:
            tiles, weight, count = _inside(windows, width, height)
        else:
            tiles, weight, count = _beside(windows, path.with_name(f"{path.stem}_files"))
    shapes = overlay_shapes(content, canvas, (width, height))
    listed = [*record.get("inputs", ()), *record.get("originals", ())]
    inputs = [Path(row["path"]) for row in listed if isinstance(row, Mapping) and "path" in row]
    with claimed(path, originals=[canvas, *inputs]) as partial:
        partial.write_text(page_html(content, tiles, shapes, pairs), encoding="utf-8")
    return {
        "page": str(path),
        "page_bytes": path.stat().st_size,
        "folder": tiles.folder if tiles.inside is None else None,
        "tiles": count,
        "tile_bytes": weight,
        "seconds": round(time.perf_counter() - begun, 3),
    }


def _inside(windows: pyramid_tiles.PictureWindows, width: int, height: int) -> tuple[PageTiles, int, int]:
    found = {tile.name: tile.jpeg for tile in pyramid_tiles.picture_tiles(windows)}
    uris = {name: f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}" for name, jpeg in found.items()}
    halvings = pyramid_tiles.halvings_of(width, height)
    tiles = PageTiles(width, height, pyramid_tiles.TILE, halvings, "", uris)
    return tiles, sum(map(len, found.values())), len(found)


def _beside(windows: pyramid_tiles.PictureWindows, folder: Path) -> tuple[PageTiles, int, int]:
    """Tiles into a new folder, which takes the old one's place only when it is whole."""
    if folder.exists() and not (folder / OURS).is_file():
        raise CannotWrite(
            f"{folder} exists and was not written for a proof page",
            expected="a free name, or the folder of an older proof page",
            attempt="another name for the page",
        )
    partial = folder.with_name(f".{folder.name}.{os.getpid()}.partial")
    try:
        partial.mkdir()
        written = pyramid_tiles.write_pyramid(windows, partial)
        write_json(partial / OURS, asdict(written))
        if folder.exists():
            shutil.rmtree(folder)
        os.replace(partial, folder)
    except OSError as error:
        raise cannot_write(folder, error) from error
    finally:
        with suppress(OSError):
            shutil.rmtree(partial)
    tiles = PageTiles(written.width, written.height, written.tile, written.halvings, folder.name)
    return tiles, written.bytes, written.tiles
