"""I write the two small pictures beside a join's record: what is left between the pieces, and who owns what.

In: the record, the plan and the finished canvas. Out: `NAME.residuals.png`, `NAME.seams.png`, whole or not at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from stitchbed.core.files import claimed
from stitchbed.core.record import notes_of
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.reading.formats import open_windows
from stitchbed.report.join_maps import LONGEST_SIDE, residual_map, seam_picture


def picture_paths(notes: Path) -> tuple[Path, Path]:
    """Where the residual map and the seam picture of a canvas go, by its record."""
    return notes.with_name(f"{notes.stem}.residuals.png"), notes.with_name(f"{notes.stem}.seams.png")


def write_pictures(
    output: Path,
    plan: Plan,
    record: Mapping[str, Any],
    *,
    notes: Path | None = None,
    originals: Sequence[Path] = (),
) -> dict[str, Any]:
    """Write both pictures of the finished canvas `output`; returns what belongs into its record: `seams`, `pictures`.

    notes : its record, None: the one beside it; the pictures go where it lies.

    Raises
    ------
    CannotWrite, WouldTouchOriginal : see `core.record.claimed`. UnreadableTile : the canvas is gone already.
    """
    residuals, seams = picture_paths(notes or notes_of(output))
    picture, cell = seam_picture(plan.seams.labels, plan.seams.cell)
    with claimed(seams, originals=originals) as partial:
        picture.save(partial, format="PNG", compress_level=6)
    drawn = residual_map(record, (plan.canvas.width, plan.canvas.height), _gray_view(output))
    with claimed(residuals, originals=originals) as partial:
        drawn.save(partial, format="PNG", compress_level=4)
    told = {"cell_px": cell, "shape": [picture.height, picture.width], "path": seams.name}
    told |= {"nobody": 255 if picture.mode == "P" else 65535, "pieces": [place.tile for place in plan.places]}
    return {"seams": told, "pictures": {"residuals": residuals.name, "seams": seams.name}}


def _gray_view(canvas: Path) -> NDArray[np.uint8]:
    """(h, w) a small gray view; places nobody sees are white, as far as a file without alpha can tell."""
    pixels = _reduced_view(canvas)
    top = np.float32(np.iinfo(pixels.dtype).max)
    light = pixels.astype(np.float32) / top
    gray = light if light.ndim == 2 else light[..., :3].mean(axis=2) if light.shape[2] > 2 else light[..., 0]
    if light.ndim == 3 and light.shape[2] in (2, 4):
        gray = gray * light[..., -1] + (1 - light[..., -1])
    return np.asarray(np.rint(gray * 255), np.uint8)


def _reduced_view(canvas: Path) -> NDArray[Any]:
    """The smallest view the master itself holds that is large enough; of a file without such views, one made now."""
    if canvas.suffix.lower() in (".tif", ".tiff") and canvas.is_file():
        with tifffile.TiffFile(canvas) as file:
            whole = file.pages.first
            views = sorted([whole, *(whole.pages or ())], key=lambda page: max(page.shape[:2]))
            enough = [view for view in views if max(view.shape[:2]) >= LONGEST_SIDE]
            pixels: NDArray[Any] = (enough or views[-1:])[0].asarray()
            return pixels
    with open_windows(canvas) as windows:
        return windows.view(max(1, max(windows.raster.shape[:2]) // LONGEST_SIDE))
