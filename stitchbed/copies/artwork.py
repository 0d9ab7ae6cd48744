"""I am the artwork all copies are made from: lines over flats over paper, or a page as it is.

In: pages of the layers. Out: stored codes of any box, flattened, or without paper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitchbed.color.convert import from_srgb, to_srgb
from stitchbed.color.profiles import srgb_profile
from stitchbed.core.arrays import Mask, Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.core.progress import Progress, silent
from stitchbed.imaging.box import Box
from stitchbed.imaging.depth import at_depth
from stitchbed.imaging.gray import most_of
from stitchbed.page.found_medium import medium_found
from stitchbed.page.line_art.ink_layer import Lifting, lifted, over
from stitchbed.page.page import Page


@dataclass(frozen=True)
class Artwork:
    """page : the clean page, or None. lines : its line layer, or None. flats : its flats, or None.

    paper : 8-bit sRGB of the paper; flats of that color are bare paper. All have one size; at least one is there.
    painted : the page is a painting no flats stand for; it shows, and lines over it would double its own.
    medium : one of `medium.MEDIA` that the page was cleaned as, "" where that is not known.
    """

    page: Page | None
    lines: Page | None
    flats: Page | None
    paper: tuple[int, int, int] = (255, 255, 255)
    painted: bool = False
    medium: str = ""

    @property
    def first(self) -> Page:
        """The layer that size, dpi and depth are taken from."""
        found = self.lines or self.page or self.flats
        if found is None:
            raise BadSettings("no picture to copy", expected="a page, or lines with flats", attempt="export PAGE.tif")
        return found

    @property
    def page_shows(self) -> bool:
        """True when copies show the page itself, not lines over flats."""
        return self.page is not None and (self.painted or (self.lines is None and self.flats is None))

    @property
    def colored(self) -> bool:
        """True when copies are RGB: some layer is, or flats add color to gray."""
        return self.flats is not None or any(p is not None and p.channels == 3 for p in (self.page, self.lines))

    @property
    def icc(self) -> bytes | None:
        """The profile of the copies: the layers' own, or sRGB where gray became RGB."""
        layer = self.flats or self.lines or self.page
        if layer is None or not self.colored or layer.channels == 3:
            return layer.icc if layer else None
        return srgb_profile() if layer.icc else None


def check_sizes(art: Artwork) -> None:
    """Raise when the layers do not fit one another.

    Raises
    ------
    BadSettings : sizes or depths differ, the lines have no alpha.
    """
    first = art.first
    for name, layer in (("page", art.page), ("lines", art.lines), ("flats", art.flats)):
        if layer is not None and (layer.height, layer.width) != (first.height, first.width):
            raise BadSettings(
                f"{name} of {layer.width} x {layer.height} px beside {first.width} x {first.height} px",
                expected="layers of one size, made from the same page",
                attempt="making lines and flats again from this page",
            )
    if art.lines is not None and art.lines.cover is None:
        raise BadSettings(
            "lines without alpha", expected="a layer made by lines", attempt="lines PAGE.tif -o LINES.tif"
        )


def is_painted(art: Artwork, *, workers: int = 1, progress: Progress = silent) -> bool:
    """Whether the page is a painting that no flats stand for."""
    if art.lines is None or art.flats is not None:
        return False
    return looks_painted(art, workers=workers, progress=progress)


def looks_painted(art: Artwork, *, workers: int = 1, progress: Progress = silent) -> bool:
    """Whether there is a page, and it is painted."""
    if art.page is None:
        return False
    return (art.medium or medium_found(art.page, workers=workers, progress=progress)) == "paint"


def line_layer(art: Artwork, box: Box) -> Pixels:
    """(h, w, c + 1) color and straight alpha of the lines, c as the copies are; lifted off the page if need be."""
    if art.lines is None or art.lines.cover is None:
        return _plainly_lifted(page_codes(art, box))
    layer = np.concatenate([art.lines.read(box), art.lines.cover(box)[..., None]], axis=2)
    if layer.shape[2] == 4 or not art.colored:
        return layer
    if art.lines.icc is None:
        return np.concatenate([np.repeat(layer[..., :1], 3, axis=2), layer[..., 1:]], axis=2)
    # alpha was made for the gray curve: what shows over white is carried to sRGB and lifted again
    white = np.full((*layer.shape[:2], 1), art.lines.top, layer.dtype)
    return _plainly_lifted(to_srgb(over(layer, white), art.lines.icc))


def page_codes(art: Artwork, box: Box) -> Pixels:
    """(h, w, c) codes of the page on white where nothing covers it."""
    page = art.page
    if page is None:
        return np.full((box.height, box.width, 3 if art.colored else 1), art.first.top, art.first.dtype)
    codes = page.read(box)
    if page.cover is not None:
        codes = over(np.concatenate([codes, page.cover(box)[..., None]], axis=2), np.full_like(codes, page.top))
    return to_srgb(codes, page.icc) if art.colored and page.channels == 1 else codes


def flat_codes(art: Artwork, box: Box) -> tuple[Pixels, Mask]:
    """(h, w, 3) codes of the flats and (h, w) where they are color and not bare paper."""
    paper = paper_codes(art)
    if art.flats is None:
        shape = (box.height, box.width)
        return np.broadcast_to(paper, (*shape, len(paper))), np.zeros(shape, bool)
    codes = art.flats.read(box)
    if codes.dtype != art.first.dtype:
        codes = at_depth(codes, art.first.dtype)
    return codes, most_of(codes != paper)


def paper_codes(art: Artwork) -> Pixels:
    """(c,) codes of the paper."""
    codes = from_srgb(art.paper, art.icc if art.colored else None, art.first.dtype)
    return codes if art.colored else codes[:1]


def flattened(art: Artwork, box: Box) -> Pixels:
    """(h, w, c) opaque codes: the page, or lines over flats over paper, blended on codes as layers are."""
    if art.page_shows:
        return page_codes(art, box)
    return over(line_layer(art, box), flat_codes(art, box)[0])


def without_paper(art: Artwork, box: Box) -> Pixels:
    """(h, w, c + 1) color and straight alpha: lines and flats, nothing where paper is bare."""
    layer = line_layer(art, box)
    below, solid = flat_codes(art, box)
    top = np.iinfo(layer.dtype).max
    whole = np.concatenate([over(layer, below), np.full((*solid.shape, 1), top, layer.dtype)], axis=2)
    return np.where(solid[..., None], whole, layer)


def _plainly_lifted(codes: Pixels) -> Pixels:
    """Lines of a page that is white where it is bare: every tone becomes alpha, colors are kept."""
    channels = codes.shape[2]
    return lifted(codes, Lifting(np.ones(channels, np.float32), np.zeros(channels, np.float32), None, opaque=False))
