"""I am a page as what is drawn on it: its light relative to the paper, without what is to go from below the ink.

In: a page, its white, what lies under its ink. Out: light relative to paper of any box.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box, grown
from stitchbed.page.page import Page, linear
from stitchbed.page.sheet.white import White, white_at
from stitchbed.page.underneath.under import HALO, Under, bared


@dataclass(frozen=True)
class Ground:
    """page, its white; under : pencil and stains that are taken off before anything else is looked at, or None."""

    page: Page
    white: White
    under: Under | None = None


def relative(ground: Ground, box: Box) -> Floats:
    """(h, w, c) light of a box relative to the paper there; the box may leave the page."""
    around = grown(box, HALO) if ground.under else box
    paper = np.maximum(white_at(ground.white, around), np.float32(1e-4))
    light = np.asarray(linear(ground.page, around) / paper, np.float32)
    if ground.under is None:
        return light
    return bared(light, ground.under, around)[HALO : HALO + box.height, HALO : HALO + box.width]
