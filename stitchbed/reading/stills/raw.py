"""I read raw photographs, by a library that is an extra: demosaiced to linear light, all of them alike.

In: a path. Out: a `Header`, and the picture as one band.

Every photograph is developed by one setting: the camera's white balance of the shot, black and white level of the file,
no curve, no brightening by what is seen, highlights clipped where the sensor is full, linear light of 16 bits with the
primaries of ITU-R BT.2020, which hold what a sensor sees; the profile says exactly that. Lens faults and noise stay.

Reference: DNG 1.7.1 (2023), chapters 4 (tags) and 6 (mapping camera color to CIE XYZ); ITU-T H.273 (2021), table 2.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from stitchbed.core.arrays import Pixels
from stitchbed.core.errors import UnreadableTile
from stitchbed.reading.base.faults import check_growth, check_size, telling, unreadable
from stitchbed.reading.base.header import Header
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.metadata.cicp import Coded
from stitchbed.reading.metadata.tags import Directory, Source, directories, directory_at, number, numbers, source_in
from stitchbed.reading.views.orientation import swapped

LINEAR_2020 = Coded(9, 8)
FLIPS = {0: 1, 3: 3, 5: 8, 6: 6}  # the library's number -> orientation of TIFF tag 274
# first bytes of kinds that no other format begins with; those like a TIFF are told by their tags
HEADS = (b"FUJIFILMCCD-RAW", b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"FOVb", b"\0MRM")
TIFF_HEADS = (b"II*\0", b"MM\0*")
SUFFIXES = (".dng", ".cr2", ".cr3", ".nef", ".nrw", ".arw", ".raf", ".orf", ".rw2", ".pef", ".srw", ".x3f", ".mrw")
SENSOR = (32803, 34892)  # photometric interpretation: a mosaic; demosaiced by the camera or a converter
SUB, DNG_VERSION, JPEG = 330, 50706, 7  # tags; compression
MOST_DIRECTORIES = 4
MOST_GROWTH = 64  # px per byte: lossless packing of a sensor's noise saves little
INSTALL = "pip install 'stitchbed[raw]', or develop it to a TIFF of 16 bits"
DEVELOP = "develop it to a TIFF of 16 bits, or convert it to DNG"


@dataclass(frozen=True)
class RawPhoto:
    """height, width : px as the sensor lies."""

    height: int
    width: int


def begins(head: bytes) -> bool:
    """Whether a file may be a raw photograph, by its first 16 bytes; `is_raw` looks closer."""
    return head.startswith((*HEADS, *TIFF_HEADS)) or head[4:12] == b"ftypcrx " or head[6:14] == b"HEAPCCDR"


def is_raw(path: Path) -> bool:
    """Whether a file that `begins` like one is a raw photograph: a TIFF says so by its tags."""
    try:
        with path.open("rb") as file:
            if not file.read(16).startswith(TIFF_HEADS):
                return True
            return bool(list(_of_a_sensor(source_in(path, file))))
    except (OSError, UnreadableTile, struct.error):
        return False


def read_header(path: Path, max_pixels: int) -> Header:
    """What the file says; the sensor's data are not unpacked.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : the extra is not installed; damaged, a camera that is not known, too large.
    """
    _check_places(path)
    with _opened(path) as photo:
        sizes, white = photo.sizes, _white(photo)
        bits = max(1, int(photo.white_level).bit_length())
    check_size(path, (sizes.height, sizes.width), max_pixels=max_pixels)
    check_growth(path, (sizes.height, sizes.width), path.stat().st_size, MOST_GROWTH)
    turn = FLIPS.get(int(sizes.flip), 1)
    shape = (*swapped((sizes.height, sizes.width), turn), 3)
    raster = Raster(shape, "uint16", min(bits, 16), LINEAR_2020.profile(3), None, False, white=white)
    return Header(raster, turn, False, RawPhoto(sizes.height, sizes.width), _said_of(white))


def at_once(header: Header) -> int:
    """Bytes developing takes: sensor, four channels, what demosaicing holds beside them, and the result twice."""
    layout: RawPhoto = header.layout
    return layout.height * layout.width * 32


def bands(path: Path, header: Header) -> Iterator[Pixels]:
    """The developed picture as one band (rows, width, 3) uint16."""
    import rawpy

    layout: RawPhoto = header.layout
    with _opened(path) as photo:
        developed = photo.postprocess(
            demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD,
            use_camera_wb=True,
            output_color=rawpy.ColorSpace.Rec2020,
            output_bps=16,
            gamma=(1, 1),
            no_auto_bright=True,
            adjust_maximum_thr=0.0,  # else white would depend on what each photograph shows
            highlight_mode=rawpy.HighlightMode.Clip,
            user_flip=0,  # turned by whoever shows it, as all pictures are
        )
    if developed.shape != (layout.height, layout.width, 3):
        raise unreadable(path, "is a raw photograph of pixels that are not square", attempt=DEVELOP)
    yield np.ascontiguousarray(developed)


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """The open photograph (rawpy.RawPy); its library's errors in the block become words.

    Raises
    ------
    UnreadableTile : the extra is not installed; damaged, or a camera that is not known.
    """
    try:
        import rawpy
    except ImportError as error:
        found = "is a raw photograph, and the part that reads those is not installed"
        raise unreadable(path, found, expected="the extra package for raw photographs", attempt=INSTALL) from error
    with telling(path, "developing it"):
        try:
            with rawpy.imread(str(path)) as photo:
                yield photo
        except rawpy.LibRawError as error:
            said = error.args[0] if error.args else b"no reason given"
            reason = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
            found = f"is a raw photograph that is damaged or of a camera that is not known ({reason.lower()})"
            raise unreadable(path, found, attempt=DEVELOP) from error


def _white(photo: Any) -> tuple[float, float] | None:
    """(red, blue) of the white balance of the shot, green 1; None when the file does not say."""
    red, green, blue = (float(value) for value in photo.camera_whitebalance[:3])
    return (round(red / green, 4), round(blue / green, 4)) if min(red, green, blue) > 0 else None


def _said_of(white: tuple[float, float] | None) -> tuple[str, ...]:
    """How it was developed."""
    if white is None:
        return ("a raw photograph without white balance of the shot: that of the camera's daylight was taken",)
    balance = f"red {white[0]:.3f}, blue {white[1]:.3f}"
    return (f"a raw photograph, developed linear by the white balance of the shot ({balance})",)


def _of_a_sensor(source: Source) -> Iterator[Directory]:
    """The directories of a raw photograph, those with a sensor's data in a file like a TIFF; of a DNG at least one."""
    for _, directory in zip(range(MOST_DIRECTORIES), directories(source), strict=False):
        below = numbers(directory, SUB)
        inner = [] if below is None else [directory_at(directory, place) for place in below.tolist()[:MOST_DIRECTORIES]]
        found = [one for one in (directory, *inner) if number(one, 262, 1) in SENSOR]
        yield from found
        if DNG_VERSION in directory.entries and not found:
            yield directory


def _check_places(path: Path) -> None:
    """Refuse a file like a TIFF whose sensor data do not lie in it or are not what the tags say: the library, which
    reads many kinds that are not documented, takes what it finds there.

    Raises
    ------
    UnreadableTile
    """
    with telling(path, "reading its header"), path.open("rb") as file:
        if file.read(16).startswith(TIFF_HEADS):
            source = source_in(path, file)
            for directory in _of_a_sensor(source):
                _check_pieces(path, source, directory)


def _check_pieces(path: Path, source: Source, directory: Directory) -> None:
    tiled = 324 in directory.entries
    offsets, counts = numbers(directory, 324 if tiled else 273), numbers(directory, 325 if tiled else 279)
    if offsets is None or counts is None or offsets.size != counts.size or not offsets.size:
        return  # kinds of their own say in other tags where data lie
    if offsets.min() < 8 or int((offsets + counts).max()) > source.size:
        raise unreadable(
            path, f"is cut off or damaged: its sensor data should end at byte {(offsets + counts).max():,}"
        )
    bits, samples, packing = (number(directory, tag, 1) for tag in (258, 277, 259))
    size = number(directory, 256, 0) * number(directory, 257, 0)
    if not 8 <= bits <= 32 or packing < 1:
        raise unreadable(path, f"is damaged: a sensor of {bits} bits per sample, packed by method {packing}")
    if packing == 1 and 8 * int(counts.sum()) < size * samples * bits:
        raise unreadable(path, f"is damaged: {counts.sum():,} bytes cannot hold {size:,} px")
    if packing == JPEG and source.read(int(offsets[0]), 2) != b"\xff\xd8":
        raise unreadable(path, "is damaged: its sensor data are no JPEG, as its tags say")
