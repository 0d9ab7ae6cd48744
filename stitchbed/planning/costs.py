"""I count what a resolution costs: pixels, bytes, seconds, disk, and which file formats can still hold the picture.

In: mm, dpi, channels, bits. Out: whole numbers of pixels and bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.settings import Setting

MIB, GIB = 2**20, 2**30

VIEWS_SHARE = 4 / 3  # reduced views inside the master: 1 + 1/4 + 1/16 + ...
WORK_BYTES = int(1.5 * GIB)  # a join in the usual 1 GiB of pixels, plus the program itself; not more for larger sheets
SECONDS_TO_LAY = 60.0  # turning, laying and pressing the sheet; common practice, no source


@dataclass(frozen=True)
class Depth:
    """channels : 1 gray, 3 color. bits : 1, 8 or 16 per channel."""

    channels: Annotated[int, Setting("1 gray, 3 color.", shell=False, choices=(1, 3))] = 3
    bits: Annotated[int, Setting("Bits per channel.", choices=(1, 8, 16))] = 16


@dataclass(frozen=True)
class FormatLimit:
    """What one format holds. side: longest side px; bytes: largest file; the reason says where the limit comes from."""

    name: str
    side: int
    bytes: int | None
    sixteen_bit: bool
    reason: str


# Sources: TIFF 6.0 (1992) 32-bit offsets; ISO/IEC 15948 IHDR; RFC 9649. JPEG: ITU-T T.81 allows 65535, the libraries
# in use stop at 65500. The four-channel alpha of a master is counted by the caller.
FORMATS = (
    FormatLimit("TIFF", 2**32 - 1, 2**32, True, "TIFF 6.0 counts bytes with 32 bits"),
    FormatLimit("BigTIFF", 2**32 - 1, None, True, "64-bit offsets"),
    FormatLimit("PNG", 2**31 - 1, None, True, "ISO/IEC 15948"),
    FormatLimit("JPEG", 65500, None, False, "libraries stop at 65500 px; lossy, 8 bits"),
    FormatLimit("WebP", 16383, None, False, "RFC 9649; 8 bits"),
)


def pixels(length_mm: float, dpi: float) -> int:
    """Pixels along a length, to the nearest."""
    return round(length_mm / MM_PER_INCH * dpi)


def picture_bytes(width: int, height: int, depth: Depth) -> int:
    """Uncompressed size: width * height * channels * bytes per sample; rows of 1-bit pixels end on a byte."""
    if depth.bits == 1:
        return height * -(-width * depth.channels // 8)
    return width * height * depth.channels * (depth.bits // 8)


def formats_for(width: int, height: int, depth: Depth) -> dict[str, str]:
    """Format -> "fits", or why not."""
    size = picture_bytes(width, height, depth)
    verdicts = {}
    for limit in FORMATS:
        if max(width, height) > limit.side:
            verdicts[limit.name] = f"too long: {max(width, height)} px of {limit.side} ({limit.reason})"
        elif limit.bytes is not None and size >= limit.bytes:
            verdicts[limit.name] = f"too large: {size / GIB:.2f} GiB of {limit.bytes // GIB} ({limit.reason})"
        elif depth.bits == 16 and not limit.sixteen_bit:
            verdicts[limit.name] = f"only as an 8-bit copy ({limit.reason})"
        else:
            verdicts[limit.name] = "fits"
    return verdicts


def scan_seconds(timed: tuple[float, float], dpi: float) -> tuple[float, float]:
    """(least, most) seconds of a capture from one timed at another dpi.

    Rows grow with dpi, transfer with its square, so a doubling costs between twice and four times (common practice,
    no source).
    """
    seconds, at = timed
    ratio = dpi / at
    ends = sorted((seconds * ratio, seconds * ratio**2))
    return ends[0], ends[1]


def disk_bytes(piece: int, captures: int, master: int) -> int:
    """Pieces, the master with its reduced views, and the working files of a join (one more set of pieces at most)."""
    return 2 * piece * captures + round(master * VIEWS_SHARE)


def in_words(size: float) -> str:
    """Bytes as MiB or GiB."""
    return f"{size / GIB:.2f} GiB" if size >= GIB else f"{size / MIB:.1f} MiB"


def time_in_words(seconds: float) -> str:
    """Seconds as s, min or h."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
