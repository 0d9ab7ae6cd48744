"""I tell of a layout before anything is measured: its record and its picture, also of pieces that hang by nothing.

In: what a survey saw, islands of pieces. Out: `NAME.layout.json` (like a join's record), `NAME.layout.png`.

Islands stand beside each other, the largest first. Places are good to some px of the full picture: half a px of the
view the survey looked at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.errors import Disconnected
from stitchbed.core.files import claimed
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transforms import moved, scale_of, turn_of
from stitchbed.mosaic.hints.preparing import flip_of
from stitchbed.mosaic.linking.link_graph import corners
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.registration.canvas import make_canvas
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.result.layout_picture import LaidPiece, layout_picture
from stitchbed.mosaic.result.record import link_rows
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.layout import Laid, one_layout
from stitchbed.mosaic.survey.plan_making import held_turn
from stitchbed.mosaic.survey.survey import Looked

GAP_MM = 20.0  # between islands


def layout_paths(notes: Path) -> tuple[Path, Path]:
    """Where the record and the picture of a layout go: beside the record of a join, `notes`."""
    return notes.with_name(f"{notes.stem}.layout.json"), notes.with_name(f"{notes.stem}.layout.png")


def layout_record(
    context: SurveyContext, looked: Looked, laid: Laid, at: tuple[Path, Path], *, originals: Sequence[Path]
) -> dict[str, Any]:
    """What a join's record says, as far as a layout knows it; the picture is written.

    at : where the canvas would go, and the record of a join; the layout's picture lies beside that.

    Raises
    ------
    CannotWrite, WouldTouchOriginal : see `core.files.claimed`.
    """
    dpi = float(context.dpi[[tile.name for tile in context.tiles].index(laid.layouts[0].reference)])
    places, size = _beside(context, laid.layouts, dpi)
    pieces = [
        LaidPiece(tile.name, preview.picture, tile.raster.shape[:2], places[tile.name])
        for tile, preview in zip(context.tiles, looked.previews, strict=True)
    ]
    drawn, into = layout_picture(pieces, size, dpi)
    path = layout_paths(at[1])[1]
    with claimed(path, originals=originals) as partial:
        drawn.save(partial, format="PNG", compress_level=6)
    return {
        "reference": laid.layouts[0].reference, "placed": sorted(laid.layouts[0].sheet_from_tile),
        "islands": [sorted(layout.sheet_from_tile) for layout in laid.layouts],
        "placements": _placements(context, looked, places), "links": _links(laid), "residuals": [], "gains": [],
        "bed": {}, "lift": [], "dust": {}, "seams": {}, "outside": {}, "accuracy": {}, "changes": [],
        "hints": list(laid.effects), "paper": None, "alpha": False, "channels": context.kind.channels,
        "canvas": {
            "path": at[0], "height": size[1], "width": size[0], "dpi": dpi, "channels": context.kind.channels,
            "dtype": context.kind.dtype, "alpha": False, "codec": "none",
        },
        "pictures": {"layout": path.name}, "layout_only": True, "drawing_from_canvas": into.tolist(),
        "warnings": _words(context, looked, laid),
    }  # fmt: skip


def for_page(record: Mapping[str, Any]) -> dict[str, Any]:
    """The record with the picture of the layout as its canvas, for a proof page."""
    into = np.array(record["drawing_from_canvas"])
    rows = [
        {**row, "canvas_from_tile": (into @ np.array(row["canvas_from_tile"])).tolist()} for row in record["placements"]
    ]
    return {**record, "placements": rows, "canvas": {**record["canvas"], "dpi": record["canvas"]["dpi"] * into[0, 0]}}


def _beside(context: SurveyContext, layouts: Sequence[Layout], dpi: float) -> tuple[dict[str, Array], tuple[int, int]]:
    """canvas_from_tile of all pieces, islands one beside the other, and (width, height) px of it all."""
    sizes = {tile.name: tile.raster.shape[:2] for tile in context.tiles}
    own = {tile.name: float(value) for tile, value in zip(context.tiles, context.dpi, strict=True)}
    found: dict[str, Array] = {}
    left, bottom = 0.0, 0.0
    for layout in layouts:
        placed = [Placement(name, sizes[name], place) for name, place in layout.sheet_from_tile.items()]
        canvas = make_canvas(placed, dpi, most_pixels=float("inf"), turn=held_turn(context, placed))
        ratio = dpi / own[layout.reference]
        shift = np.array([[ratio, 0, left], [0, ratio, 0], [0, 0, 1.0]])
        for place in placed:
            found[place.tile] = np.asarray(shift @ canvas.canvas_from_sheet @ place.sheet_from_tile, np.float64)
        mine = np.concatenate([moved(found[place.tile], corners(place.size)) for place in placed])
        left, bottom = mine[:, 0].max() + GAP_MM * dpi / MM_PER_INCH, max(bottom, float(mine[:, 1].max()))
    width = left - GAP_MM * dpi / MM_PER_INCH
    return found, (int(np.ceil(width)) + 1, int(np.ceil(bottom)) + 1)


def _placements(context: SurveyContext, looked: Looked, places: Mapping[str, Array]) -> list[dict[str, Any]]:
    flipped = {one.piece for one in context.hints.mirrored}
    return [
        {
            "tile": tile.name,
            "canvas_from_tile": (places[tile.name] @ (flip_of(tile) if tile.name in flipped else np.eye(3))).tolist(),
            "sigma_px": round(preview.keypoints.reduction / 2, 4),
            "rotation_deg": round(float(np.degrees(turn_of(places[tile.name]))), 4),
            "scale": round(scale_of(places[tile.name]), 6), "warp_max_px": 0.0,
        }
        for tile, preview in zip(context.tiles, looked.previews, strict=True)
    ]  # fmt: skip


def _links(laid: Laid) -> list[dict[str, Any]]:
    return [row for layout in laid.layouts for row in link_rows(layout).values()]


def _words(context: SurveyContext, looked: Looked, laid: Laid) -> list[str]:
    """What a join would warn of so far, or the error it would end with."""
    try:
        return one_layout(context, looked.previews, laid, looked.no_links)[1]
    except Disconnected as error:
        lines = [f"hint for the job file: {line}" for line in error.lines]
        return [row["words"] for row in laid.effects if row["against"]] + [error.found, *lines]
