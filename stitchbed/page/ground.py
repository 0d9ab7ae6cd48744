"""I am a page as what is drawn on it: its light relative to the paper, without what is to go from below the ink.

In: a page, its white, what lies under its ink. Out: light relative to paper of any box.
"""

from __future__ import annotations

from dataclasses import dataclass

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box, grown
from stitchbed.page.page import Page, linear
from stitchbed.page.sheet.white import White, over_white
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
    light = over_white(linear(ground.page, around), ground.white, around)
    if ground.under is None:
        return light
    return bared(light, ground.under, around)[HALO : HALO + box.height, HALO : HALO + box.width]
