"""I read header and pixels of PDF pages that are one picture; a page drawn at a resolution when it is asked for.

In: a path such as `scan.pdf:3`, or `scan.pdf:3@600` for a page drawn at 600 dpi. Out: a `Header`, and `Stored` pixels.

Reference: ISO 32000-2:2020.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stitchbed.core.addresses import Address, address_of
from stitchbed.core.arrays import Pixels
from stitchbed.core.errors import StitchbedError
from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.base.faults import check_size, telling, unreadable
from stitchbed.reading.base.header import Header, Stored
from stitchbed.reading.base.spill import in_bands, spilled
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.pdf.content import Painted, Shown, shown_on
from stitchbed.reading.pdf.decode import picture_bands
from stitchbed.reading.pdf.document import opened
from stitchbed.reading.pdf.drawing import drawn, drawn_size
from stitchbed.reading.pdf.inside import lost_in, self_said
from stitchbed.reading.pdf.picture import PdfPicture, layered, picture_of
from stitchbed.reading.pdf.placement import Placement, placed, sheet_of
from stitchbed.reading.pdf.strips import alike, stacked
from stitchbed.reading.views.orientation import swapped

MAGIC = b"%PDF-"
MOST_PAGES = 4096


@dataclass(frozen=True)
class DrawnPage:
    """size : (height, width) px of the page as drawn."""

    size: tuple[int, int]


def count(path: Path) -> int:
    """Pages of the document.

    Raises
    ------
    UnreadableTile : damaged, locked, without pages.
    """
    with opened(path) as document:
        pages = len(document.pages)
        if pages == 0 or pages > MOST_PAGES:
            raise unreadable(path, f"is a PDF of {pages:,} pages")
        return pages


def has_pictures(path: Path) -> bool:
    """Whether any page holds a picture; a document of writing and drawings alone is no scan."""
    try:
        with telling(path, "opening it"), path.open("rb") as file:
            if not file.read(len(MAGIC)).startswith(MAGIC):
                return False
        with opened(path) as document:
            return any(shown_on(document, page).pictures for page in document.pages)
    except (StitchbedError, ValueError):
        return True  # damaged: that is told when it is read


def read_header(path: Path, max_pixels: int) -> Header:
    """What the page and its picture say; no pixel is decoded.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : damaged, locked, more than one picture, a kind that is not read here, too large.
    """
    address = address_of(path)
    if address.dpi is not None:
        return _drawn_header(path, address, max_pixels)
    with opened(path) as document, telling(path, "reading its header"):
        strips, shown, placement = _found(path, document, address)
        layout = tuple(self_said(path, one.image, picture_of(path, document, one, max_pixels)) for one in strips)
        lost = lost_in(strips[0].image, layout[0])
        notes = (*layout[0].colors.notes, *_notes(document, shown, placement))
    if not alike(layout):
        raise layered(path, f"{len(layout)} pictures of different kinds")
    first, turn = layout[0], placement.orientation
    height = sum(one.height for one in layout)
    check_size(path, (height, first.width), max_pixels=max_pixels)
    shape = (*swapped((height, first.width), turn), first.colors.channels)
    dpi = None if placement.dpi is None else swapped(placement.dpi, turn)
    dtype = "uint16" if first.bits > 8 else "uint8"
    raster = Raster(shape, dtype, first.bits, first.colors.icc, dpi, False, lost=lost)
    return Header(raster, turn, False, layout, notes)


def at_once(header: Header) -> int:
    """Bytes decoding takes: those of a drawn page, of a codec's picture; bands of plainly packed ones are small.

    OpenJPEG and the library that draws pages hold 4 bytes for each sample beside what they hand out.
    """
    layout: tuple[PdfPicture, ...] | DrawnPage = header.layout
    if isinstance(layout, DrawnPage):
        return layout.size[0] * layout.size[1] * 6
    return max(map(_at_once, layout))


def _at_once(picture: PdfPicture) -> int:
    if picture.codec is None:
        return 0 if picture.packed[-1:] == ("FlateDecode",) else 2 * picture.height * picture.row_bytes
    each = {"DCTDecode": 3, "JPXDecode": 6}.get(picture.codec, 5)
    return picture.height * picture.width * picture.samples * each


def open_stored(path: Path, header: Header, *, cache: PieceCache, scratch: Path | None) -> Stored:
    """Decode the picture, or draw the page, once; `cache` is not needed.

    Raises
    ------
    UnreadableTile : damaged. CannotWrite : no room in scratch.
    """
    raster = header.raster
    shape = (*swapped(raster.shape[:2], header.orientation), raster.shape[2])
    return spilled(in_bands(_bands(path, header)), shape, raster.dtype, scratch=scratch, path=path)


def _bands(path: Path, header: Header) -> Iterator[Pixels]:
    layout: tuple[PdfPicture, ...] | DrawnPage = header.layout
    if isinstance(layout, DrawnPage):
        with telling(path, "drawing it"):
            yield drawn(path, layout.size)
        return
    with opened(path) as document, telling(path, "decoding it"):
        strips, shown, _ = _found(path, document, address_of(path))
        for picture, painted in zip(layout, strips, strict=True):
            yield from picture_bands(path, picture, painted.image, shown.pictures.index(painted))


def _found(path: Path, document: Any, address: Address) -> tuple[tuple[Painted, ...], Shown, Placement]:
    """The one picture of a page (or its strips, from the top), all that the page shows, and how the whole lies.

    Raises
    ------
    UnreadableTile : no picture, several, or something over it.
    """
    page = document.pages[(address.number or 1) - 1]
    shown = shown_on(document, page)
    if not shown.pictures:
        raise layered(path, "no picture" if not shown.under else f"{shown.under[0]} and no picture")
    whole = stacked(shown.pictures) if len(shown.pictures) > 1 else ((shown.pictures[0],), shown.pictures[0].matrix)
    if whole is None:
        raise layered(path, f"{len(shown.pictures)} pictures on one page")
    strips, matrix = whole
    height = sum(int(one.image.get("/Height", 0)) for one in strips)
    placement = placed(matrix, sheet_of(page), (height, int(strips[0].image.get("/Width", 0))))
    if placement is None:
        raise layered(path, "its picture sheared or turned on the page")
    if shown.over:
        raise layered(path, f"{shown.over[0]} over its picture")
    if shown.under and not placement.fills:
        raise layered(path, f"{shown.under[0]} beside its picture")
    return strips, shown, placement


def _notes(document: Any, shown: Shown, placement: Placement) -> tuple[str, ...]:
    notes = []
    if document.get_warnings():
        notes.append("the document is damaged and was read by what is left of its tables")
    if abs(placement.askew_deg) > 1e-3:
        notes.append(f"its picture lies turned by {placement.askew_deg:.2f} degrees on the page and is taken unturned")
    if shown.unseen_text:
        notes.append("writing that is not shown (recognized characters) was passed over")
    return tuple(notes)


def _drawn_header(path: Path, address: Address, max_pixels: int) -> Header:
    dpi = address.dpi or 0
    with opened(path) as document, telling(path, "reading its header"):
        size = drawn_size(path, dpi, sheet_of(document.pages[(address.number or 1) - 1]).unit)
    check_size(path, size, max_pixels=max_pixels)
    notes = (f"the page was drawn at {dpi} dpi: its pixels are not those of a scan",)
    raster = Raster(
        (*size, 3), "uint8", 8, None, (float(dpi), float(dpi)), False, lost=(f"the page was drawn at {dpi} dpi",)
    )
    return Header(raster, 1, False, DrawnPage(size), notes)
