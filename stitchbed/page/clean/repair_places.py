"""I say which places of a page are to be repaired: rectangles, or what a mask picture marks.

In: settings. Out: boxes of the page with the mask of the pixels to fill in each.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import cv2
import numpy as np

from stitchbed.core.arrays import Mask
from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import MM_PER_INCH, area_mm
from stitchbed.core.settings import Setting
from stitchbed.imaging.box import Box, clipped
from stitchbed.page.page import Page
from stitchbed.page.sheet.frame import Framing
from stitchbed.reading.formats import open_windows

COARSE = 8  # the mask is first looked at reduced by this
LARGEST = 2500  # px; a longer place is no spot to repair but a part to draw again


@dataclass(frozen=True)
class RepairSettings:
    """rects : (x, y, width, height) mm from the clean page's top left each. mask : a picture of the size of
    the page as it came, light where to repair.
    """

    rects: Annotated[
        tuple[tuple[float, float, float, float], ...],
        Setting(
            "Mm from the clean page's top left: a place to fill from around; may be given again.",
            option="repair",
            unit="X,Y,WIDTH,HEIGHT",
            low=0,
            many=True,
            read=area_mm,
        ),
    ] = ()
    mask: Annotated[
        Path | None, Setting("A picture of the page's size, light where to fill.", option="repair-mask")
    ] = None

    @property
    def any(self) -> bool:
        """True when there is something to repair."""
        return bool(self.rects or self.mask)


def places_of(page: Page, frame: Framing, settings: RepairSettings) -> list[tuple[Box, Mask]]:
    """Boxes of the page and the pixels to fill in each.

    Raises
    ------
    BadSettings : a rectangle off the page or too large, a mask of another size.
    """
    places = [_rect(page, frame, rect) for rect in settings.rects]
    if settings.mask is not None:
        places += _marked(page, settings.mask)
    for box, _ in places:
        if max(box.height, box.width) > LARGEST:
            raise BadSettings(
                f"a place of {box.width} x {box.height} px to repair",
                expected=f"places up to {LARGEST} px; filling from around guesses, it does not draw",
                attempt="several smaller places, or none",
            )
    return places


def _rect(page: Page, frame: Framing, rect: tuple[float, float, float, float]) -> tuple[Box, Mask]:
    """The box of the page round a rectangle of the clean page, and what of it lies in the rectangle."""
    x, y, width, height = (value / MM_PER_INCH * page.dpi for value in rect)
    corners = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)]) - 0.5
    on_page = (np.c_[corners, np.ones(4)] @ frame.page_from_out.T)[:, :2]
    low, high = np.ceil(on_page.min(axis=0) - 1e-6).astype(int), np.ceil(on_page.max(axis=0) - 1e-6).astype(int)
    box = clipped(Box(int(low[1]), int(low[0]), int(high[1] - low[1]), int(high[0] - low[0])), page.box)
    if box.empty:
        mm = (side / page.dpi * MM_PER_INCH for side in (frame.width, frame.height))
        raise BadSettings(
            f"the place {rect} to repair",
            expected="x,y,width,height in mm from the top left of the clean page, {:.1f} x {:.1f} mm".format(*mm),
            attempt="--repair 20,35.5,4,3",
        )
    rows, cols = np.mgrid[box.row : box.bottom, box.col : box.right]
    at = np.stack([cols, rows, np.ones_like(rows)], axis=-1) @ np.linalg.inv(frame.page_from_out).T
    inside = (at[..., :2] >= corners[0]) & (at[..., :2] < corners[2])
    return box, np.asarray(inside.all(axis=-1))


def _marked(page: Page, path: Path) -> list[tuple[Box, Mask]]:
    """Each marked place of the mask picture."""
    with open_windows(path) as windows:
        if windows.raster.shape[:2] != (page.height, page.width):
            rows, cols = windows.raster.shape[:2]
            raise BadSettings(
                f"a mask of {cols} x {rows} px",
                expected=f"the size of the page, {page.width} x {page.height} px",
                attempt="a mask painted over the page itself",
            )
        half = np.iinfo(windows.raster.dtype).max // 2
        coarse = (windows.view(COARSE).max(axis=2) > 0).astype(np.uint8)
        count, _, stats, _ = cv2.connectedComponentsWithStats(cv2.dilate(coarse, np.ones((3, 3), np.uint8)))
        found = []
        for left, top, width, height, _ in stats[1:count].tolist():
            box = clipped(Box(top * COARSE, left * COARSE, height * COARSE, width * COARSE), page.box)
            mask = windows.window(box).max(axis=2) > half
            if mask.any():
                found.append((box, mask))
        return found
