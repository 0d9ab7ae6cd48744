"""I tell what a clean page was made with, from samples of it.

In: a page that is white where it is bare. Out: the name of its medium.
"""

from __future__ import annotations

import numpy as np

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.reduce import reduction_to, shrunk
from stitchbed.page.dust.sweep import sampled
from stitchbed.page.medium import medium_of
from stitchbed.page.page import Page, linear, luminance, overview

VIEW_DPI, VIEW_PX = 75.0, 1200  # of the page seen small, to find where something is drawn
MEDIUM_DPI = 300.0  # at which ink is told from pencil and paint
DRAWN = 0.9  # of white; darker cells of the small view show something drawn


def medium_found(page: Page, *, workers: int = 1) -> str:
    """One of `medium.MEDIA`."""
    factor = min(
        max(reduction_to(page.dpi, VIEW_DPI), -(-max(page.height, page.width) // VIEW_PX)), page.height, page.width
    )
    seen = overview(page, factor, workers=workers)[0]
    boxes = sampled(page, page.box, np.asarray(luminance(seen) < DRAWN, np.float32))
    step = reduction_to(page.dpi, MEDIUM_DPI)
    even = [Box(b.row, b.col, b.height // step * step, b.width // step * step) for b in boxes]
    samples = [shrunk(linear(page, box), step) for box in even]
    return medium_of(samples, page.dpi / step / MM_PER_INCH).name
