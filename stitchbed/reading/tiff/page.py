"""I understand how the pixels of one picture lie in a TIFF.

In: directories of tags. Out: a frozen `TiffPage`, or the reason why its pixels cannot be taken.

Reference: TIFF 6.0 (1992), sections 4-6, 8, 14, 15, 22; supplement 2 (2002) for deflate and JPEG.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.errors import StitchbedError
from stitchbed.reading.base.faults import AS_PLAIN_TIFF, SCAN_AS_RGB, check_size, unreadable
from stitchbed.reading.metadata.tags import Directory, blob, directory_at, number, numbers
from stitchbed.reading.tiff.layout import TiffPage, check_extents, check_pieces, check_shared

COMPRESSIONS = {
    1: "none", 2: "fax rle", 3: "fax 3", 4: "fax 4", 5: "lzw", 7: "jpeg", 8: "deflate", 32773: "packbits",
    32946: "deflate", 50000: "zstd",
}  # fmt: skip
REFUSED_COMPRESSIONS = {
    6: "old-style JPEG", 34712: "JPEG 2000", 34887: "LERC",
    34925: "LZMA", 50001: "WebP", 50002: "JPEG XL", 52546: "JPEG XL", 34892: "lossy JPEG of camera files",
}  # fmt: skip
PHOTOMETRICS = {0: 1, 1: 1, 2: 3, 3: 3}  # gray (min is white / black), RGB, palette -> channels handed out
REFUSED_PHOTOMETRICS = {
    4: "a transparency mask", 5: "CMYK or other inks", 6: "YCbCr outside JPEG", 8: "CIELAB", 9: "ICC Lab",
    10: "ITU Lab",
    32803: "unprocessed camera data", 32844: "LogL", 32845: "LogLuv", 34892: "linear camera data",
}  # fmt: skip
FLOATS, WHOLE_NUMBERS = (16, 32, 64), (1, 2, 4, 8, 10, 12, 14, 16)
IN_SIXTEEN = (2**10 - 1, 2**12 - 1, 2**14 - 1)
SET_IN_SCANNER = (5, 8, 9, 10)  # of those, what scanner software writes when it is told to
SAMPLE_FORMATS = {2: "signed whole numbers", 5: "complex whole numbers", 6: "complex numbers"}


def page_of(directory: Directory, max_pixels: int) -> TiffPage:
    """The page of a directory, checked against the file's size.

    Raises
    ------
    CanvasTooLarge : more pixels than `max_pixels`. UnreadableTile : everything else that stands in the way.
    """
    path = directory.source.path
    height, width = number(directory, 257, 0), number(directory, 256, 0)
    check_size(path, (height, width), max_pixels=max_pixels)
    fields: dict[str, Any] = {"height": height, "width": width, "order": directory.order}
    fields |= _coding(directory, path)
    fields |= _samples(directory, path, fields["compression"])
    fields |= _pieces(directory, path, fields)
    page: TiffPage = TiffPage(
        **fields,
        palette=_palette(directory, path, fields),
        jpeg_tables=blob(directory, 347),
        fax_options=number(directory, 292, 0),
    )
    check_pieces(page, path)
    check_extents(page, directory.source)
    check_shared(page, path)
    return page


def _coding(directory: Directory, path: Path) -> dict[str, Any]:
    code = number(directory, 259, 1)
    if code not in COMPRESSIONS:
        name = REFUSED_COMPRESSIONS.get(code, f"number {code}")
        raise unreadable(path, f"is a TIFF with a compression that is not read here ({name})", attempt=AS_PLAIN_TIFF)
    predictor = number(directory, 317, 1)
    if predictor not in (1, 2, 3):
        raise unreadable(path, f"is a TIFF with predictor {predictor}", attempt=AS_PLAIN_TIFF)
    used = predictor if COMPRESSIONS[code] in ("lzw", "deflate", "zstd") else 1
    return {"compression": COMPRESSIONS[code], "predictor": used, "low_bit_first": number(directory, 266, 1) == 2}


def _samples(directory: Directory, path: Path, compression: str) -> dict[str, Any]:
    samples = number(directory, 277, 1)
    photometric = number(directory, 262, 1 if samples < 3 else 2)
    if photometric == 6 and compression == "jpeg":
        photometric = 2
        colored = True
    else:
        colored = False
    if photometric not in PHOTOMETRICS:
        name = REFUSED_PHOTOMETRICS.get(photometric, f"photometric number {photometric}")
        raise unreadable(path, f"holds {name}", attempt=SCAN_AS_RGB if photometric in SET_IN_SCANNER else AS_PLAIN_TIFF)
    inside = 1 if photometric == 3 else PHOTOMETRICS[photometric]
    if not inside <= samples <= 64:
        raise unreadable(path, f"has {samples} samples per pixel where at least {inside} are needed")
    bits, floating = _bits(directory, path, samples, photometric)
    alpha, associated = _alpha(directory, inside, samples)
    return {
        "samples": samples, "bits": bits, "photometric": 6 if colored else photometric, "alpha": alpha,
        "associated": associated, "color": PHOTOMETRICS[photometric], "planes_apart": _planes_apart(directory, samples),
        "floating": floating, "top": _top(directory, bits, floating), "path": path,
    }  # fmt: skip


def _planes_apart(directory: Directory, samples: int) -> bool:
    return number(directory, 284, 1) == 2 and samples > 1


def _bits(directory: Directory, path: Path, samples: int, photometric: int) -> tuple[int, bool]:
    """Bits per sample, and whether samples are floating point."""
    stated = numbers(directory, 258)
    bits = {1} if stated is None or stated.size == 0 else set(stated.tolist())
    kinds = numbers(directory, 339)
    listed_kinds = [] if kinds is None else kinds.tolist()
    for kind in listed_kinds:
        if kind not in (1, 3, 4):
            what = SAMPLE_FORMATS.get(kind, f"samples of kind {kind}")
            raise unreadable(path, f"holds {what} ({max(bits)} bits)", attempt=AS_PLAIN_TIFF)
    floating = 3 in listed_kinds
    allowed = (1, 2, 4, 8) if photometric == 3 else FLOATS if floating else WHOLE_NUMBERS
    if len(bits) != 1 or not bits <= set(allowed) or (min(bits) < 8 and samples > 1):
        listed = ", ".join(str(bit) for bit in sorted(bits))
        raise unreadable(path, f"has {listed} bits per sample in {samples} channels", attempt=AS_PLAIN_TIFF)
    return int(min(bits)), floating


def _top(directory: Directory, bits: int, floating: bool) -> int:
    """The largest code: of all bits, or of 10, 12 or 14 in 16 where MaxSampleValue (tag 281) says exactly that."""
    full: int = 2**bits - 1
    said = number(directory, 281, full)
    return said if not floating and bits == 16 and said in IN_SIXTEEN else full


def _alpha(directory: Directory, inside: int, samples: int) -> tuple[int | None, bool]:
    """Index of the alpha sample and whether it is premultiplied (tag 338: 1 associated, 2 straight)."""
    extra = numbers(directory, 338)
    for index, kind in enumerate([] if extra is None else extra.tolist()[: samples - inside]):
        if kind in (1, 2):
            return inside + index, kind == 1
    return None, False


def _palette(directory: Directory, path: Path, fields: dict[str, Any]) -> NDArray[np.uint8] | None:
    """(2^bits, 3) uint8; palettes are stored in 16 bits, old writers used 8."""
    if fields["photometric"] != 3:
        return None
    stated = numbers(directory, 320)
    size = 2 ** fields["bits"]
    if stated is None or stated.size != 3 * size:
        raise unreadable(path, "is a palette picture without a whole palette", attempt=AS_PLAIN_TIFF)
    table = stated.reshape(3, size).T
    return (table if table.max() < 256 else np.rint(table / 257)).astype(np.uint8)


def _pieces(directory: Directory, path: Path, fields: dict[str, Any]) -> dict[str, Any]:
    tiled = 324 in directory.entries or 322 in directory.entries
    height, width = fields["height"], fields["width"]
    if tiled:
        size = number(directory, 323, 0), number(directory, 322, 0)
        offsets, counts = numbers(directory, 324), numbers(directory, 325)
    else:
        size = min(number(directory, 278, height), height), width
        offsets, counts = numbers(directory, 273), numbers(directory, 279)
    if min(size) <= 0 or max(size) > 2**31:
        raise unreadable(path, f"has {'tiles' if tiled else 'strips'} of {size[1]} x {size[0]} px")
    planes = fields["samples"] if fields["planes_apart"] else 1
    wanted = -(-height // size[0]) * -(-width // size[1]) * planes
    if offsets is None or offsets.size < wanted:
        have = 0 if offsets is None else offsets.size
        raise unreadable(path, f"lists {have} of the {wanted} {'tiles' if tiled else 'strips'} its size needs")
    if counts is None or counts.size < wanted:
        counts = _computed_counts(fields, size, wanted, path)
    return {
        "tiled": tiled, "piece_height": size[0], "piece_width": size[1],
        "offsets": offsets[:wanted], "counts": counts[:wanted],
    }  # fmt: skip


def _computed_counts(fields: dict[str, Any], size: tuple[int, int], wanted: int, path: Path) -> NDArray[np.int64]:
    """Byte counts of uncompressed strips, which old writers left out."""
    if fields["compression"] != "none":
        raise unreadable(path, "does not say how long its compressed pieces are")
    samples = 1 if fields["planes_apart"] else fields["samples"]
    row = (size[1] * samples * fields["bits"] + 7) // 8
    heights = np.full(wanted, size[0], np.int64)
    down = -(-fields["height"] // size[0])
    if size[1] == fields["width"]:
        heights[down - 1 :: down] = fields["height"] - (down - 1) * size[0]
    computed: NDArray[np.int64] = heights * row
    return computed


WRITER = b"stitchbed"
MOST_LEVELS = 16


@dataclass(frozen=True)
class Pages:
    """The full-size page, and its reduced views: levels[k] is at 1/2^(k+1)."""

    page: TiffPage
    levels: tuple[TiffPage, ...]


def layout_of(directory: Directory, page: TiffPage) -> Pages:
    """The page with the reduced views that fit it; a view that is damaged or missing ends the row."""
    levels: list[TiffPage] = []
    if (blob(directory, 305) or b"").startswith(WRITER):
        places = numbers(directory, 330)
        for place in [] if places is None else places.tolist()[:MOST_LEVELS]:
            level = _level(directory, place, page, len(levels) + 1)
            if level is None:
                break
            levels.append(level)
    return Pages(page, tuple(levels))


def _level(directory: Directory, place: int, page: TiffPage, number: int) -> TiffPage | None:
    try:
        level = page_of(directory_at(directory, place), page.height * page.width)
    except (StitchbedError, struct.error):
        return None
    size = (-(-page.height // 2**number), -(-page.width // 2**number))
    alike = (level.bits, level.samples, level.photometric) == (page.bits, page.samples, page.photometric)
    return level if alike and (level.height, level.width) == size else None
