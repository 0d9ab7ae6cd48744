"""I am the desk a page is cleaned on: the page, and what was seen of it before the first step.

In: a page. Out: a `CleanContext`, and the plan that only frames.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stitchbed.core.arrays import Floats, Mask
from stitchbed.core.errors import BadSettings
from stitchbed.core.progress import Progress, silent
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, clipped
from stitchbed.page.clean.pictures import Album
from stitchbed.page.clean.plan import CleanPlan
from stitchbed.page.dust.sweep import ink_of, sampled
from stitchbed.page.found_medium import told_by, view_factor
from stitchbed.page.ground import Ground, relative
from stitchbed.page.page import Page, luminance, luminance_at, overview
from stitchbed.page.sheet.frame import Framing, on_sheet, source_box
from stitchbed.page.sheet.lamp import DARKEST_PAPER, as_scanned, lamp_only, shows_paper
from stitchbed.page.sheet.white import PaperSettings, White, survey
from stitchbed.page.underneath.found import DropSettings, Told, hue_at, under_of, wish_of
from stitchbed.page.underneath.pencil import apart, hue_of, sector
from stitchbed.page.underneath.under import Under

EDGE_MM = 0.5  # within a side of the sheet that was found or cut off, where its rim and a shadow may still show
BESIDE_PX = 2.0  # that the box of a frame may reach beyond it by rounding
FAINT_COLOR = 0.02  # of density; of the page seen small, where strokes are pale


@dataclass(frozen=True)
class CleanContext:
    """page, its file, where pictures go, threads; view : (h, w, c) light of the page reduced by `factor`;
    area : the part of the page under the frame; boxes : samples that show its ink. dropped : what is taken off below
    the ink, as it is told. progress : what is told how far each look over the whole page is.
    """

    page: Page
    source: Path
    album: Album
    workers: int
    view: Floats
    factor: int
    area: Box
    boxes: tuple[Box, ...] = ()
    dropped: Told | None = None
    progress: Progress = silent

    def on(
        self, frame: Framing, settings: PaperSettings, medium: str = "found", drop: DropSettings | None = None
    ) -> tuple[CleanContext, CleanPlan]:
        """The desk with the frame's area and samples, and the plan that only frames and takes off what is below.

        Raises
        ------
        BadSettings : a color that is none, or is not where it was said to be.
        """
        area = clipped(source_box(frame, frame.box, 0), self.page.box)
        white = survey(self.page, area, settings, workers=self.workers, progress=self.progress)
        white = replace(white, paper=white.paper & _cells_on_sheet(white, frame, self.page.box))
        boxes = tuple(sampled(self.page, area, _darkness(self.view, self.factor, area, white.mean)))
        desk, ground, dropped = replace(self, area=area, boxes=boxes), Ground(self.page, white), None
        if drop and drop.any:
            under, dropped = _under(desk, ground, frame, drop)
            ground = replace(ground, under=under)
        told = told_by(_sheet_alone(ground, frame), boxes, ground.page.dpi, medium, progress=self.progress)
        if told.name != "ink" or not white.paper.any() or luminance_at(white.mean) < DARKEST_PAPER:
            ground = replace(ground, white=lamp_only(white) if shows_paper(white) else as_scanned(white))
        traits = ink_of(ground, list(boxes), 1, progress=self.progress)
        plan = CleanPlan(frame, ground.white, False, traits, medium=told, under=ground.under)
        return replace(desk, dropped=dropped), plan


def _cells_on_sheet(white: White, frame: Framing, page: Box) -> Mask:
    """(gh, gw) cells of the map of paper that lie on the sheet as a whole; a lid in its corners is no paper."""
    inverse = np.linalg.inv(frame.page_from_out)
    high, wide = white.cells.shape[:2]
    inside = np.ones((high, wide), bool)
    for down in (0, white.cell - 1):
        for across in (0, white.cell - 1):
            rows = np.minimum(white.row + white.cell * np.arange(high) + down, page.bottom - 1)
            cols = np.minimum(white.col + white.cell * np.arange(wide) + across, page.right - 1)
            x, y = (inverse[n, 0] * cols[None] + inverse[n, 1] * rows[:, None] + inverse[n, 2] for n in (0, 1))
            inside &= (x > -BESIDE_PX) & (x < frame.width - 1 + BESIDE_PX)
            inside &= (y > -BESIDE_PX) & (y < frame.height - 1 + BESIDE_PX)
    return inside


def _sheet_alone(ground: Ground, frame: Framing) -> Callable[[Box], Floats]:
    """A reader of light relative to paper that shows paper beyond the sheet, as a lid or shadow there is not drawn."""
    margin = EDGE_MM / MM_PER_INCH * ground.page.dpi

    def light_at(box: Box) -> Floats:
        return np.where(on_sheet(frame, box, margin)[..., None], relative(ground, box), np.float32(1))

    return light_at


def desk_of(page: Page, source: Path, album: Album, workers: int, progress: Progress = silent) -> CleanContext:
    """A desk with the page seen small."""
    factor = view_factor(page)
    view = overview(page, factor, workers=workers, progress=progress)[0]
    return CleanContext(page, source, album, workers, view, factor, page.box, progress=progress)


def _under(desk: CleanContext, ground: Ground, frame: Framing, drop: DropSettings) -> tuple[Under, Told]:
    """What is to go from below the ink, learned from samples of the ink and of the color."""
    if desk.page.channels == 1:
        raise BadSettings("a gray page", expected="a page in color to drop a color from", attempt="a scan in color")
    hue: str | float = ""
    boxes = list(desk.boxes)
    if drop.color:
        wish = wish_of(drop)
        hue = wish if isinstance(wish, str) else hue_at(ground.page, ground.white, frame, wish)
        boxes += sampled(desk.page, desk.area, _colored(desk, ground.white.mean, hue))
    samples = [relative(ground, box) for box in dict.fromkeys(boxes)]
    traits = ink_of(ground, list(desk.boxes), 1)
    return under_of(ground.page, ground.white, desk.area, drop, traits, samples=samples, hue=hue, workers=desk.workers)


def _colored(desk: CleanContext, mean: Floats, hue: str | float) -> Floats:
    """(h, w) how much of a hue the small view of the area shows."""
    area, factor = desk.area, desk.factor
    part = desk.view[area.row // factor : max(1, area.bottom // factor), area.col // factor :]
    seen, chroma = hue_of(np.asarray(part[:, : max(1, area.width // factor)] / np.maximum(mean, 1e-4)))
    low, high = sector(hue)
    return np.where((apart(seen, (low + high) / 2) <= (high - low) / 2) & (chroma > FAINT_COLOR), chroma, 0)


def _darkness(view: Floats, factor: int, area: Box, mean: Floats) -> Floats:
    """(h, w) 1 where the small view of `area` shows ink."""
    part = view[area.row // factor : max(1, area.bottom // factor), area.col // factor : max(1, area.right // factor)]
    return np.asarray(luminance(part) < 0.5 * luminance_at(mean), np.float32)
