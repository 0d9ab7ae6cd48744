"""I write the proof page of a finished picture: the page, and beside it the tiles of the picture when it is large.

In: the record of a job and its canvas. Out: one HTML file, a folder of tiles, and what they weigh.
"""

from __future__ import annotations

import base64
import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from stitchbed.core.files import claim, claimed, claimed_folder
from stitchbed.core.record import beside, name_beside
from stitchbed.imaging.box import Box
from stitchbed.mosaic.result.laid_out import for_page, layout_paths
from stitchbed.pipelines.contract.records import StepRecord
from stitchbed.reading.formats import open_windows
from stitchbed.report import tiles as pyramid_tiles
from stitchbed.report.blocks import PagePair
from stitchbed.report.overlays import overlay_shapes
from stitchbed.report.page import PageTiles, page_html
from stitchbed.report.previews import both_sides, preview, size_of, step_picture
from stitchbed.report.records import page_record

INSIDE_PIXELS = 16_000_000  # up to here the tiles go into the page itself: some 6 MB, one file to pass on
ABOUT = "pyramid.json"  # sizes and numbers of the tiles in the folder


def write_proof(
    path: Path, record: Mapping[str, Any], canvas: Path, *, pairs: Sequence[PagePair] = ()
) -> dict[str, Any]:
    """Write the page `path` (and its folder) for `canvas`; returns page and tile sizes in bytes, seconds, tile count.

    record : of a join, or of one step (color, rectify, clean); missing keys are fine.
    pairs : pictures from before and after it.

    Raises
    ------
    CannotWrite : the place cannot be written.
    UnreadableTile : the canvas cannot be read. WouldTouchOriginal : `path` is the canvas or one of the record's inputs;
    the folder beside it was not made here.
    """
    begun = time.perf_counter()
    content = page_record(beside(dict(record), path.parent), canvas)
    with open_windows(canvas) as windows:
        height, width, _ = windows.raster.shape
        if width * height <= INSIDE_PIXELS:
            tiles, weight, count = _inside(windows, width, height)
        else:
            tiles, weight, count = _beside(windows, path.with_name(f"{path.stem}_files"))
    shapes = overlay_shapes(content, canvas, (width, height))
    listed = [*record.get("inputs", ()), *record.get("originals", ())]
    inputs = [canvas.parent / row["path"] for row in listed if isinstance(row, Mapping) and "path" in row]
    with claimed(path, originals=[canvas, *inputs]) as partial:
        partial.write_text(page_html(content, tiles, shapes, pairs), encoding="utf-8")
    return {
        "page": name_beside(path, canvas.parent),
        "page_bytes": path.stat().st_size,
        "folder": tiles.folder if tiles.inside is None else None,
        "tiles": count,
        "tile_bytes": weight,
        "seconds": round(time.perf_counter() - begun, 3),
    }


def write_join_proof(path: Path, record: Mapping[str, Any], canvas: Path) -> dict[str, Any]:
    """`write_proof` of a join; of one that only laid the pieces out, the page shows their picture."""
    if not record.get("layout_only"):
        return write_proof(path, record, canvas)
    return write_proof(path, for_page(record), layout_paths(canvas)[1])


def _inside(windows: pyramid_tiles.PictureWindows, width: int, height: int) -> tuple[PageTiles, int, int]:
    found = {tile.name: tile.jpeg for tile in pyramid_tiles.picture_tiles(windows)}
    uris = {name: f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}" for name, jpeg in found.items()}
    halvings = pyramid_tiles.halvings_of(width, height)
    tiles = PageTiles(width, height, pyramid_tiles.TILE, halvings, "", uris)
    return tiles, sum(map(len, found.values())), len(found)


def _beside(windows: pyramid_tiles.PictureWindows, folder: Path) -> tuple[PageTiles, int, int]:
    """Tiles into a new folder, which takes the old one's place only when it is whole."""
    claim([folder], [])
    with claimed_folder(folder) as partial:
        written = pyramid_tiles.write_pyramid(windows, partial)
        (partial / ABOUT).write_text(json.dumps(asdict(written)), encoding="utf-8")
    tiles = PageTiles(written.width, written.height, written.tile, written.halvings, folder.name)
    return tiles, written.bytes, written.tiles


MOST_SPOTS = 3000  # more circles cannot be told apart, and slow a phone down
STRIP = 1024  # rows of the mask looked at together

STEP_TITLES = {
    "border": ("Border", "The frame that was found, and the sheet cut and straightened by it."),
    "repair": ("Repair", "The first place that was filled from around it."),
    "paper": ("Paper", "The whole sheet with its contrast raised four times, so that unevenness shows."),
    "dust": ("Dust", "The place with most dust; pixel by pixel."),
    "dust_places": ("Dust, place by place", "Places that changed, each before above and after below."),
    "dust_doubtful": (
        "In doubt",
        "Marks that were left, for they may be drawn. --dust eager takes them all; --keep X,Y then leaves one.",
    ),
    "drop": ("Dropped color", "The place where most was taken off below the ink; pixel by pixel."),
    "tone": ("Tone", "The place whose tones were drawn apart most; pixel by pixel."),
}
SAME_PLACE = (
    "repair",
    "paper",
    "drop",
    "dust",
    "tone",
)  # both sides show one place, so that one can lie over the other
SIDES = {1: " Before at left, after at right.", 2: " Move the line between before and after."}


def prove_step(path: Path, told: StepRecord, sources: Sequence[Path], canvas: Path) -> None:
    """Write the page `path` of a step told of in `told`, which gains the key "proof"; sources are only read.

    Raises
    ------
    As `proof.write_proof`.
    """
    inputs = [{"path": source.absolute()} for source in sources]
    content = {**told, "originals": inputs, "dust": inpainted_spots(told, canvas)}
    told["proof"] = write_proof(path, content, canvas, pairs=[_whole(told, sources, canvas), *_steps(told, canvas)])


def inpainted_spots(told: Mapping[str, Any], canvas: Path) -> dict[str, Any]:
    """How much dust went and where it lay on `canvas`, from the mask a clean-up leaves, and what was in doubt."""
    name = next((n for n in told.get("outputs", ()) if n.endswith("/dust_mask.tif")), None)
    numbers = next((s["numbers"] for s in told["numbers"].get("steps", ()) if s["step"] == "dust"), None)
    if numbers is None:
        return {}
    doubt = {"doubtful": numbers["doubtful"], "in_doubt": numbers["doubtful_places"]} if numbers.get("doubtful") else {}
    if name is None or not (canvas.parent / name).is_file():
        return {"mended": 0, "spots": [], **doubt} if doubt else {}
    spots: list[dict[str, float]] = []
    with open_windows(canvas.parent / name) as windows:
        height, width, _ = windows.raster.shape
        for row in range(0, height, STRIP):
            part = windows.window(Box(row, 0, min(STRIP, height - row), width)).reshape(-1, width)
            _, _, stats, middles = cv2.connectedComponentsWithStats((part > 127).astype(np.uint8), connectivity=8)
            spots += [
                {"x": round(float(x), 1), "y": round(float(y) + row, 1), "radius_px": max(w, h) / 2}
                for (_, _, w, h, _), (x, y) in zip(stats[1:].tolist(), middles[1:], strict=True)
            ]
    if len(spots) > MOST_SPOTS:
        # evenly over the page: the largest alone would look as if the rest of it were clean
        spots = [spots[n] for n in np.linspace(0, len(spots) - 1, MOST_SPOTS).astype(int)]
    return {"mended": int(numbers["dust"]), "spots": spots, **doubt}


def _whole(told: Mapping[str, Any], sources: Sequence[Path], canvas: Path) -> PagePair:
    """Everything, small: a single source under the result, framed as it is; of several the first two beside it."""
    corners = _corners(told, sources[0], canvas) if len(sources) == 1 else None
    if corners is not None:
        words = f"{sources[0].name} as given, and {canvas.name} as written; both as sRGB. Move the line between them."
        return PagePair("The whole", words, both_sides(sources[0], corners, canvas), curtain=True)
    shown = [preview(source, f"before: {source.name}") for source in sources[:2]]
    words = f"{_named(sources)} as given, and {canvas.name} as written; both as sRGB."
    return PagePair("The whole", words, (*shown, preview(canvas, f"after: {canvas.name}")))


def _corners(told: Mapping[str, Any], source: Path, canvas: Path) -> Sequence[Sequence[float]] | None:
    """Where the result's corners lie in the source, px: as a step says, its own where both are of one size."""
    numbers = told["numbers"]
    said = next((s["numbers"].get("corners_px") for s in numbers.get("steps", ()) if s["step"] == "border"), None)
    width, height = size_of(source)
    own = [(0, 0), (width - 1, 0), (width - 1, height - 1), (0, height - 1)]
    return numbers.get("corners_px") or said or (own if size_of(canvas) == (width, height) else None)


def _named(sources: Sequence[Path]) -> str:
    rest = len(sources) - 2
    return " and ".join(source.name for source in sources[:2]) + (f" of {len(sources)} pictures" if rest > 0 else "")


def _steps(told: Mapping[str, Any], canvas: Path) -> list[PagePair]:
    """The pictures a clean-up leaves of its steps."""
    found = []
    for path in [canvas.parent / name for name in told.get("outputs", ()) if name.endswith(".png") and "/" in name]:
        if path.is_file():
            title, words = STEP_TITLES.get(path.stem, (path.stem.replace("_", " ").capitalize(), ""))
            shown = step_picture(path, title, parted=path.stem in SAME_PLACE)
            words += SIDES[len(shown)] if path.stem in (*SAME_PLACE, "border") else ""
            found.append(PagePair(title, words, shown, curtain=len(shown) == 2))
    return found
