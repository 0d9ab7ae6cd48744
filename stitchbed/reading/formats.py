"""I say which reader serves which file, by its first bytes and never by its name.

In: a path. Out: its `Raster`, or its open `Windows`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.base.faults import telling, unreadable
from stitchbed.reading.base.header import MAX_PIXELS, Header, Stored
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.stills import jpeg, png, png_rows, stills, webp
from stitchbed.reading.tiff import reader as tiff
from stitchbed.reading.windows import Windows

CACHE_BYTES = 128 * 2**20  # decoded pieces kept per file opened on its own; a row of tiles of an A1 sheet at 600 dpi
HEAD = 16  # bytes needed to tell every format


@dataclass(frozen=True)
class Format:
    """suffixes : in lower case, only to find pictures in folders. begins : True for its first HEAD bytes.

    read_header(path, max_pixels). open_stored(path, header, *, cache, scratch).
    """

    suffixes: tuple[str, ...]
    begins: Callable[[bytes], bool]
    read_header: Callable[[Path, int], Header]
    open_stored: Callable[..., Stored]


FORMATS: dict[str, Format] = {
    "TIFF": Format(
        (".tif", ".tiff", ".btf"),
        lambda head: head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"),
        tiff.read_header,
        tiff.open_stored,
    ),
    "PNG": Format((".png",), lambda head: head.startswith(png_rows.MAGIC), png.read_header, stills.open_png),
    "JPEG": Format(
        (".jpg", ".jpeg", ".jpe"), lambda head: head.startswith(jpeg.MAGIC), jpeg.read_header, stills.open_jpeg
    ),
    "WebP": Format(
        (".webp",), lambda head: head[:4] == b"RIFF" and head[8:12] == b"WEBP", webp.read_header, stills.open_webp
    ),
}

# pictures that are recognized only to say what they are
OTHERS: tuple[tuple[int, bytes, str], ...] = (
    (0, b"GIF8", "a GIF picture"),
    (0, b"BM", "a BMP picture"),
    (0, b"%PDF", "a PDF document"),
    (0, b"\xff\x4f\xff\x51", "a JPEG 2000 picture"),
    (4, b"jP  ", "a JPEG 2000 picture"),
    (0, b"\xff\x0a", "a JPEG XL picture"),
    (4, b"JXL ", "a JPEG XL picture"),
    (4, b"ftyp", "an HEIF or AVIF picture, or a film"),
    (0, b"PK\x03\x04", "a zip archive or a layered picture"),
    (0, b"<", "a text file"),
)


def format_of(path: Path) -> str:
    """Name of the file's format, a key of FORMATS.

    Raises
    ------
    UnreadableTile : missing, a folder, not allowed, empty, or no picture that can be read.
    """
    with telling(path, "opening it"):
        if path.exists() and not path.is_file():
            kind = "a folder" if path.is_dir() else "a device or a pipe"
            raise unreadable(path, f"is {kind}, not a picture", attempt="give the picture files in it")
        with path.open("rb") as file:
            head = file.read(HEAD)
    if not head:
        raise unreadable(path, "is empty (0 bytes)", attempt="copy or scan it again")
    for name, known in FORMATS.items():
        if known.begins(head):
            return name
    seen = next((words for at, magic, words in OTHERS if head[at : at + len(magic)] == magic), None)
    raise unreadable(path, f"is {seen}" if seen else "is no picture of a kind that is read here")


def read_header(path: Path, *, max_pixels: int = MAX_PIXELS) -> Header:
    """Everything the header says, with notes on what was ignored; no pixel is decoded."""
    return FORMATS[format_of(path)].read_header(path, max_pixels)


def read_raster(path: Path, *, max_pixels: int = MAX_PIXELS) -> Raster:
    """What the header says of the pixels; none is decoded.

    Raises
    ------
    UnreadableTile : the file is no whole picture of a kind that is read here. CanvasTooLarge : more than max_pixels.
    """
    return read_header(path, max_pixels=max_pixels).raster


def open_windows(
    path: Path, *, scratch: Path | None = None, cache: PieceCache | None = None, max_pixels: int = MAX_PIXELS
) -> Windows:
    """Open a file for reading by windows.

    scratch : an existing folder for decoded files that cannot be read by windows; nothing is left in it.
    cache : shared between files, or None for one of its own.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : as `read_raster`. CannotWrite : no room in scratch.
    """
    known = FORMATS[format_of(path)]
    header = known.read_header(path, max_pixels)
    kept = PieceCache(CACHE_BYTES) if cache is None else cache
    with telling(path, "opening it"):
        return Windows(header, known.open_stored(path, header, cache=kept, scratch=scratch))
