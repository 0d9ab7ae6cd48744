"""I say which directories of a TIFF are its pictures: neither reduced views, nor masks, nor small copies.

In: a source of bytes. Out: one directory for each picture, in the file's order, and notes on what was passed over.

Reference: TIFF 6.0 (1992), tags 254 (bits: 1 reduced, 2 page of several, 4 mask), 255 (2: reduced) and 262 (4: mask).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from stitchbed.core.errors import UnreadableTile
from stitchbed.reading.base.faults import unreadable
from stitchbed.reading.metadata.tags import Directory, Source, directories, number

REDUCED_OR_MASK = 1 | 4
SHAPE = 0.02  # by which the sides of a small copy may differ from the picture's, after rounding to whole px


@dataclass(frozen=True)
class Pictures:
    """directories : at least one. notes : sentences for the user about what else the file holds."""

    directories: tuple[Directory, ...]
    notes: tuple[str, ...]


def pictures_of(source: Source) -> Pictures:
    """The file's pictures. Where all directories are marked as reduced or masks, the first is taken.

    Raises
    ------
    UnreadableTile : no TIFF, or damaged before the first picture.
    """
    found, notes = _listed(source)
    marked = [_marked(directory) for directory in found]
    full = [directory for directory, aside in zip(found, marked, strict=True) if not aside] or found[:1]
    largest = max(map(_size, full))
    small = [directory for directory in full if _small_copy(_size(directory), largest)]
    for directory in small:
        height, width = _size(directory)
        notes.append(f"a picture of {width} x {height} px in it, a small copy by its shape, was passed over")
    return Pictures(tuple(directory for directory in full if directory not in small), tuple(notes))


def _listed(source: Source) -> tuple[list[Directory], list[str]]:
    """All directories; when their chain breaks behind a picture, those before and a note."""
    found: list[Directory] = []
    try:
        for directory in directories(source):
            found.append(directory)
    except (UnreadableTile, struct.error):
        if all(map(_marked, found)):
            raise
        return found, [f"its list of pictures is damaged behind number {len(found)}; what follows could not be read"]
    if not found:
        raise unreadable(source.path, "is a TIFF without any picture in it")
    return found, []


def _marked(directory: Directory) -> bool:
    aside = number(directory, 254, 0) & REDUCED_OR_MASK or number(directory, 255, 1) == 2
    return bool(aside) or number(directory, 262, 1) == 4


def _size(directory: Directory) -> tuple[int, int]:
    """(height, width) px."""
    return number(directory, 257, 0), number(directory, 256, 0)


def _small_copy(size: tuple[int, int], largest: tuple[int, int]) -> bool:
    """At most half as long either way, and of the same shape: writers add such pictures without marking them."""
    if not all(0 < 2 * side <= most for side, most in zip(size, largest, strict=True)):
        return False
    wanted = size[0] * largest[1] / largest[0]
    return abs(size[1] - wanted) <= 1 + SHAPE * wanted
