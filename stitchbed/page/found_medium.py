"""I tell what a clean page was made with: as what it was cleaned, or from samples of it.

In: a page that is white where it is bare. Out: the name of its medium.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np

from stitchbed.core.arrays import Floats
from stitchbed.core.files import read_file
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import found_notes
from stitchbed.imaging.box import Box
from stitchbed.imaging.reduce import reduction_to, shrunk
from stitchbed.page.dust.sweep import sampled
from stitchbed.page.medium import MEDIA, Medium, medium_of
from stitchbed.page.page import Page, linear, luminance, overview

VIEW_DPI, VIEW_PX = 75.0, 1200  # of the page seen small, to find where something is drawn
MEDIUM_DPI = 300.0  # at which ink is told from pencil and paint
DRAWN = 0.9  # of white; darker cells of the small view show something drawn


def medium_told(page: Path, sha256: str) -> str:
    """As what a page was cleaned, by the record of the clean that wrote it; "" of any other file, and of one that was
    changed since. A page near a limit may look like another medium once its paper is white. sha256 : of the file."""
    with suppress(OSError, ValueError, KeyError, TypeError, AttributeError):  # any JSON may stand there
        record = json.loads(read_file(found_notes(page)))
        name = str(record["numbers"]["medium"]["name"])
        if record["command"] == "clean" and record["outputs"][page.name] == sha256 and name in MEDIA:
            return name
    return ""


def medium_found(page: Page, *, workers: int = 1, progress: Progress = silent) -> str:
    """One of `medium.MEDIA`."""
    factor = min(view_factor(page), page.height, page.width)
    seen = overview(page, factor, workers=workers, progress=progress)[0]
    boxes = sampled(page, page.box, np.asarray(luminance(seen) < DRAWN, np.float32))
    return told_by(lambda box: linear(page, box), boxes, page.dpi, "found", progress=progress).name


def view_factor(page: Page) -> int:
    """The reduction by which a page is seen small."""
    return max(reduction_to(page.dpi, VIEW_DPI), -(-max(page.height, page.width) // VIEW_PX))


def told_by(
    light_at: Callable[[Box], Floats], boxes: Sequence[Box], dpi: float, wish: str, *, progress: Progress = silent
) -> Medium:
    """The medium by samples of a page's light relative to its paper, or the one wished for."""
    step = reduction_to(dpi, MEDIUM_DPI)
    even = [Box(b.row, b.col, b.height // step * step, b.width // step * step) for b in boxes]
    told = counted(even, "telling the medium", len(even), progress)
    samples = [shrunk(light_at(box), step) for box in told if not box.empty]
    return medium_of(samples, dpi / step / MM_PER_INCH, wish)
