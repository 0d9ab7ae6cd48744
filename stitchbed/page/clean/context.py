"""I am the desk a page is cleaned on: the page, and what was seen of it before the first step.

In: a page. Out: a `CleanContext`, and the plan that only frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stitchbed.core.arrays import Floats
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, clipped
from stitchbed.imaging.reduce import reduction_to, shrunk
from stitchbed.page.clean.pictures import Album
from stitchbed.page.clean.plan import CleanPlan
from stitchbed.page.dust.sweep import ink_of, relative, sampled
from stitchbed.page.medium import Medium, medium_of
from stitchbed.page.page import Page, luminance, overview
from stitchbed.page.sheet.frame import Framing, source_box
from stitchbed.page.sheet.lamp import lamp_only
from stitchbed.page.sheet.white import PaperSettings, White, survey

VIEW_DPI, VIEW_PX = 75.0, 1200  # of the page seen small, for pictures and to find where ink is
MEDIUM_DPI = 300.0  # at which ink is told from pencil and paint


@dataclass(frozen=True)
class CleanContext:
    """page, its file, where pictures go, threads; view : (h, w, c) light of the page reduced by `factor`;
    area : the part of the page under the frame; boxes : samples that show its ink.
    """

    page: Page
    source: Path
    album: Album
    workers: int
    view: Floats
    factor: int
    area: Box
    boxes: tuple[Box, ...] = ()

    def on(self, frame: Framing, settings: PaperSettings, medium: str = "found") -> tuple[CleanContext, CleanPlan]:
        """The desk with the frame's area and samples, and the plan that only frames."""
        area = clipped(source_box(frame, frame.box, 0), self.page.box)
        white = survey(self.page, area, settings, workers=self.workers)
        boxes = tuple(sampled(self.page, white, area, _darkness(self.view, self.factor, area, white.mean)))
        told = _medium(self.page, white, boxes, medium)
        if told.name != "ink":
            white = lamp_only(white)
        traits = ink_of(self.page, white, list(boxes), 1)
        return replace(self, area=area, boxes=boxes), CleanPlan(frame, white, False, traits, medium=told)


def desk_of(page: Page, source: Path, album: Album, workers: int) -> CleanContext:
    """A desk with the page seen small."""
    factor = max(reduction_to(page.dpi, VIEW_DPI), -(-max(page.height, page.width) // VIEW_PX))
    return CleanContext(page, source, album, workers, overview(page, factor, workers=workers)[0], factor, page.box)


def _medium(page: Page, white: White, boxes: Sequence[Box], wish: str) -> Medium:
    """What the page was made with, told from its samples."""
    factor = reduction_to(page.dpi, MEDIUM_DPI)
    even = [Box(b.row, b.col, b.height // factor * factor, b.width // factor * factor) for b in boxes]
    samples = [shrunk(relative(page, white, box), factor) for box in even]
    return medium_of(samples, page.dpi / factor / MM_PER_INCH, wish)


def _darkness(view: Floats, factor: int, area: Box, mean: Floats) -> Floats:
    """(h, w) 1 where the small view of `area` shows ink."""
    part = view[area.row // factor : max(1, area.bottom // factor), area.col // factor : max(1, area.right // factor)]
    return np.asarray(luminance(part) < 0.5 * luminance(mean[None, None])[0, 0], np.float32)
