"""I say which reader serves which file, by its first bytes and never by its name.

In: a path, of a file or of one picture in it (`scan.tif:3`). Out: its `Raster`, or its open `Windows`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from stitchbed.core.addresses import Address, address_of, file_of
from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.base.faults import NotOnePicture, check_at_once, shown, telling, unreadable
from stitchbed.reading.base.header import MAX_PIXELS, Header, Stored
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.pdf import reader as pdf
from stitchbed.reading.stills import heif, jpeg, jxl, png, png_rows, raw, stills, webp
from stitchbed.reading.tiff import reader as tiff
from stitchbed.reading.windows import Windows

CACHE_BYTES = 128 * 2**20  # decoded pieces kept per file opened on its own; a row of tiles of an A1 sheet at 600 dpi
MEMORY = 2**30  # bytes, when nobody says
HEAD = 16  # bytes needed to tell every format


@dataclass(frozen=True)
class Format:
    """suffixes : in lower case, only to find pictures in folders. begins : True for its first HEAD bytes.

    looks(file) : for kinds that begin like others, a closer look. read_header(path, max_pixels).
    open_stored(path, header, *, cache, scratch). at_once(header) -> bytes that decoding takes at most in one go, beside
    the windows asked for. count(file) : pictures in it; where it is given, the readers are asked for a picture by its
    number (`addresses.address_of`). may_hold(file) : False for files that are no pictures for certain, passed over in
    folders. draws : pages can be drawn at a dpi.
    """

    suffixes: tuple[str, ...]
    begins: Callable[[bytes], bool]
    read_header: Callable[[Path, int], Header]
    open_stored: Callable[..., Stored]
    at_once: Callable[[Header], int]
    count: Callable[[Path], int] | None = None
    may_hold: Callable[[Path], bool] | None = None
    draws: bool = False
    looks: Callable[[Path], bool] | None = None


FORMATS: dict[str, Format] = {
    "raw": Format(raw.SUFFIXES, raw.begins, raw.read_header, stills.open_raw, raw.at_once, looks=raw.is_raw),
    "TIFF": Format(
        (".tif", ".tiff", ".btf"),
        lambda head: head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"),
        tiff.read_header,
        tiff.open_stored,
        tiff.at_once,
        tiff.count,
    ),
    "PDF": Format(
        (".pdf",),
        lambda head: head.startswith(pdf.MAGIC),
        pdf.read_header,
        pdf.open_stored,
        pdf.at_once,
        pdf.count,
        pdf.has_pictures,
        draws=True,
    ),
    "HEIF": Format(
        (".heic", ".heif", ".avif"), heif.begins, heif.read_header, stills.open_heif, heif.at_once, heif.count
    ),
    "JPEG XL": Format((".jxl",), jxl.begins, jxl.read_header, stills.open_jxl, jxl.at_once),
    "PNG": Format(
        (".png",), lambda head: head.startswith(png_rows.MAGIC), png.read_header, stills.open_png, png.at_once
    ),
    "JPEG": Format(
        (".jpg", ".jpeg", ".jpe"),
        lambda head: head.startswith(jpeg.MAGIC),
        jpeg.read_header,
        stills.open_jpeg,
        jpeg.at_once,
    ),
    "WebP": Format(
        (".webp",),
        lambda head: head[:4] == b"RIFF" and head[8:12] == b"WEBP",
        webp.read_header,
        stills.open_webp,
        webp.at_once,
    ),
}

# pictures that are recognized only to say what they are
OTHERS: tuple[tuple[int, bytes, str], ...] = (
    (0, b"GIF8", "a GIF picture"),
    (0, b"BM", "a BMP picture"),
    (0, b"\xff\x4f\xff\x51", "a JPEG 2000 picture"),
    (4, b"jP  ", "a JPEG 2000 picture"),
    (4, b"ftyp", "a film"),
    (0, b"PK\x03\x04", "a zip archive or a layered picture"),
    (0, b"<", "a text file"),
)


def format_of(path: Path) -> str:
    """Name of the file's format, a key of FORMATS.

    Raises
    ------
    UnreadableTile : missing, a folder, not allowed, empty, or no picture that can be read.
    """
    place = file_of(path)
    with telling(path, "opening it"):
        if place.exists() and not place.is_file():
            kind = "a folder" if place.is_dir() else "a device or a pipe"
            raise unreadable(path, f"is {kind}, not a picture", attempt="give the picture files in it")
        with place.open("rb") as file:
            head = file.read(HEAD)
    if not head:
        raise unreadable(path, "is empty (0 bytes)", attempt="copy or scan it again")
    for name, known in FORMATS.items():
        if known.begins(head) and (known.looks is None or known.looks(place)):
            return name
    seen = next((words for at, magic, words in OTHERS if head[at : at + len(magic)] == magic), None)
    raise unreadable(path, f"is {seen}" if seen else "is no picture of a kind that is read here")


def pictures_in(path: Path) -> list[Path]:
    """The paths of all pictures a path names: the path itself, or `scan.tif:1`, `scan.tif:2` ... of a file of several.

    Raises
    ------
    UnreadableTile : as `format_of`; a file beside it bears the name of one of its pictures.
    """
    known, address = FORMATS[format_of(path)], address_of(path)
    count = 1 if known.count is None else known.count(address.file)
    if address.number is not None or count == 1:
        return [path]
    pictures = [Address(address.file, number, address.dpi).path for number in range(1, count + 1)]
    taken = next((one for one in pictures if address_of(one).number is None), None)
    if taken is not None:
        found = (
            f"holds {count} pictures, and a file beside it is called {shown(Path(taken.name))}, as one of them would be"
        )
        raise unreadable(path, found, expected="a name of its own for each picture", attempt="rename that other file")
    return pictures


def as_asked(path: Path, dpi: float | None) -> Path:
    """The path itself; for a page that is not one picture, when a dpi is given, that of the page drawn at it."""
    known, address = FORMATS[format_of(path)], address_of(path)
    if dpi is None or not known.draws or address.dpi is not None:
        return path
    try:
        known.read_header(path, MAX_PIXELS)
    except NotOnePicture:
        return replace(address, dpi=max(1, round(dpi))).path
    return path


def read_header(path: Path, *, max_pixels: int = MAX_PIXELS, memory: int = MEMORY) -> Header:
    """Everything the header says, with notes on what was ignored; no pixel is decoded."""
    known, path = _picture(path)
    return _header(known, path, max_pixels, memory)


def read_raster(path: Path, *, max_pixels: int = MAX_PIXELS) -> Raster:
    """What the header says of the pixels; none is decoded.

    Raises
    ------
    UnreadableTile : the file is no whole picture of a kind that is read here. CanvasTooLarge : more than max_pixels.
    """
    return read_header(path, max_pixels=max_pixels).raster


def open_windows(
    path: Path,
    *,
    scratch: Path | None = None,
    cache: PieceCache | None = None,
    max_pixels: int = MAX_PIXELS,
    memory: int = MEMORY,
    often: bool = False,
) -> Windows:
    """Open a file for reading by windows.

    scratch : an existing folder for decoded files that cannot be read by windows; nothing is left in it.
    cache : shared between files, or None for one of its own. memory : bytes the whole job may take. often : it will be
    gone over many times; then all of it is kept decoded where that takes no more than a third of the memory.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : as `read_raster`; decoding takes more memory. CannotWrite : no room in scratch.
    """
    known, path = _picture(path)
    header = _header(known, path, max_pixels, memory)
    kept = PieceCache(_kept_bytes(header.raster, memory, often)) if cache is None else cache
    with telling(path, "opening it"):
        return Windows(header, known.open_stored(path, header, cache=kept, scratch=scratch))


def _kept_bytes(raster: Raster, memory: int, often: bool) -> int:
    high, wide, channels = raster.shape
    each = (channels + raster.alpha) * (2 if raster.dtype == "uint16" else 1)
    whole = int(1.1 * high * wide * each)  # pieces at the rims reach beyond the picture
    return whole if often and whole <= memory // 3 else min(CACHE_BYTES, memory // 8)


def _header(known: Format, path: Path, max_pixels: int, memory: int) -> Header:
    header = known.read_header(path, max_pixels)
    check_at_once(path, known.at_once(header), memory)
    return header


def _picture(path: Path) -> tuple[Format, Path]:
    """The reader, and what to call the one picture a path names.

    Raises
    ------
    UnreadableTile : as `format_of`; the file holds several pictures and the path names none of them, or holds fewer.
    """
    known, address = FORMATS[format_of(path)], address_of(path)
    count = 1 if known.count is None else known.count(address.file)
    if address.number is None and count > 1:
        raise unreadable(
            path,
            f"holds {count} pictures where one is wanted",
            expected="the number of one of them behind its name",
            attempt=f"{shown(Address(address.file, 1).path)} ... {shown(Path(Address(address.file, count).path.name))}",
        )
    if address.dpi is not None and not known.draws:
        found = "asks for a picture drawn at a dpi, which only pages of a PDF can be"
        raise unreadable(path, found, attempt=f"{shown(address.file)} without @{address.dpi}")
    if (address.number or 1) > count:
        held = "one picture" if count == 1 else f"{count} pictures"
        raise unreadable(path, f"is not there: {shown(address.file)} holds {held}", attempt="a lower number")
    return known, (address.file if known.count is None else path)
