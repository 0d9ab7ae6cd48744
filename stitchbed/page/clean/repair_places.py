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
from stitchbed.core.quantities import rectangle
from stitchbed.core.settings import Setting
from stitchbed.imaging.box import Box, clipped
from stitchbed.page.page import Page
from stitchbed.reading.formats import open_windows

COARSE = 8  # the mask is first looked at reduced by this
LARGEST = 2500  # px; a longer place is no spot to repair but a part to draw again


@dataclass(frozen=True)
class RepairSettings:
    """rects : (x, y, width, height) px of the page each. mask : a picture of the page's size, light where to repair."""

    rects: Annotated[
        tuple[tuple[int, int, int, int], ...],
        Setting(
            "A place to fill from around; may be given again.",
            option="repair",
            unit="x,y,width,height",
            low=0,
            many=True,
            read=rectangle,
        ),
    ] = ()
    mask: Annotated[
        Path | None, Setting("A picture of the page's size, light where to fill.", option="repair-mask")
    ] = None

    @property
    def any(self) -> bool:
        """True when there is something to repair."""
        return bool(self.rects or self.mask)


def places_of(page: Page, settings: RepairSettings) -> list[tuple[Box, Mask]]:
    """Boxes of the page and the pixels to fill in each.

    Raises
    ------
    BadSettings : a rectangle off the page or too large, a mask of another size.
    """
    places = [_rect(page, rect) for rect in settings.rects]
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


def _rect(page: Page, rect: tuple[int, int, int, int]) -> tuple[Box, Mask]:
    x, y, width, height = rect
    box = clipped(Box(y, x, height, width), page.box)
    if box.empty:
        raise BadSettings(
            f"the rectangle {rect} to repair",
            expected=f"x,y,width,height in pixels of the page, {page.width} x {page.height}",
            attempt="--repair 100,200,30,30",
        )
    return box, np.ones((box.height, box.width), bool)


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
