"""I understand the stored picture of a PDF page: its size, bits, colors, profile, and how it is packed.

In: a picture of a page. Out: a frozen `PdfPicture`, or the reason why it cannot be taken as stored.

Reference: ISO 32000-2:2020, 8.6 (color spaces), 8.9.5 (image dictionaries), 14.11.5 (output intents).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.faults import SCAN_AS_RGB, NotOnePicture, check_growth, check_size, shown, unreadable
from stitchbed.reading.metadata.icc import MOST_BYTES, checked_profile
from stitchbed.reading.pdf.content import Painted
from stitchbed.reading.pdf.document import PLAIN, changes_late, filters_of, plain_bytes, predictor_of

CODECS = ("DCTDecode", "JPXDecode", "CCITTFaxDecode", "JBIG2Decode")
REFUSED_SPACES = {
    "DeviceCMYK": "CMYK", "Lab": "CIELAB", "Separation": "a spot color", "DeviceN": "inks of a press",
    "Pattern": "a pattern",
}  # fmt: skip
# the most px a stored byte can stand for where pictures are decoded at once; small ones may be blank
MOST_GROWTH = {"DCTDecode": 1024, "JPXDecode": 65_536, "CCITTFaxDecode": 65_536, "JBIG2Decode": 65_536}
# the most bytes a byte can unfold to: 258 bytes from 2 bits, 4,096 from 12, 128 from 2
PLAIN_GROWTH = {"FlateDecode": 1033, "LZWDecode": 2731, "RunLengthDecode": 64, "ASCII85Decode": 4, "ASCIIHexDecode": 1}
MOST_PLAIN = 2**31  # bytes that plain filters round a codec's data may unfold to
CHANNELS = {"DeviceGray": 1, "CalGray": 1, "DeviceRGB": 3, "CalRGB": 3}


@dataclass(frozen=True)
class Colors:
    """channels : handed out. palette : (entries, channels) uint8 or None. icc : profile bytes or None."""

    channels: int
    palette: Pixels | None = None
    icc: bytes | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class PdfPicture:
    """samples : stored per pixel. packed : filters in the order in which they are undone. inverted : 0 is white.

    stencil : it says where black is painted. predictor : of the last plain filter. transform : /ColorTransform of a
    JPEG, or None.
    """

    height: int
    width: int
    bits: int
    samples: int
    colors: Colors
    packed: tuple[str, ...]
    predictor: int
    inverted: bool
    stencil: bool
    transform: int | None

    @property
    def codec(self) -> str | None:
        """The picture's own codec, or None when its samples are packed plainly."""
        return self.packed[-1] if self.packed and self.packed[-1] in CODECS else None

    @property
    def row_bytes(self) -> int:
        """Bytes of a row of samples."""
        return (self.width * self.samples * self.bits + 7) // 8


def picture_of(path: Path, document: Any, painted: Painted, max_pixels: int) -> PdfPicture:
    """Facts of the picture a page shows.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : it has another mask, color space or packing than is read here; too large.
    """
    image = painted.image
    size = int(image.get("/Height", 0)), int(image.get("/Width", 0))
    check_size(path, size, max_pixels=max_pixels)
    filters = filters_of(image)
    packed = tuple(name for name, _ in filters)
    unknown = [name for name in packed[:-1] if name not in PLAIN] + [
        n for n in packed[-1:] if n not in (*PLAIN, *CODECS)
    ]
    unknown += [f"{name} without early change" for name, parms in filters if changes_late(parms)]
    if unknown:
        raise unreadable(path, f"holds a picture packed by {unknown[0]}, which is not read here")
    stencil = bool(image.get("/ImageMask", False))
    if painted.veiled or "/SMask" in image or "/Mask" in image or (stencil and not painted.black):
        raise layered(path, "a picture that shows through a mask")
    bits = 1 if stencil or packed[-1:] == ("JBIG2Decode",) else int(image.get("/BitsPerComponent", 8))
    colors = Colors(1) if stencil else _colors(path, document, image)
    last = filters[-1][1] if filters else None
    picture = PdfPicture(
        *size,
        bits,
        1 if colors.palette is not None else colors.channels,
        colors,
        packed,
        predictor_of(last) if packed and packed[-1] in PLAIN else 1,
        _inverted(path, image, colors),
        stencil,
        None if last is None or "/ColorTransform" not in last else int(last.get("/ColorTransform")),
    )
    _check(path, picture, image)
    return picture


def layered(path: Path, what: str) -> NotOnePicture:
    """The error of a page that is more or other than one picture."""
    return NotOnePicture(
        f"{shown(path)} shows {what}",
        expected="a page that is one picture, as scanner software writes it",
        attempt=f"scan to TIFF, or without layers; to have it drawn at 600 dpi: {shown(path)}@600, or --dpi 600",
    )


def _check(path: Path, picture: PdfPicture, image: Any) -> None:
    if picture.bits not in (1, 2, 4, 8, 16):
        raise unreadable(path, f"holds a picture of {picture.bits} bits per sample")
    if picture.predictor >= 10 and picture.samples * picture.bits == 12:  # its pixels are no whole bytes
        raise unreadable(path, "holds colors of 4 bits per sample packed with a predictor of PNG, which has no such")
    if picture.codec is None:
        _check_plain(path, picture, len(image.read_raw_bytes()))
        return
    stored = len(image.read_raw_bytes())
    check_growth(path, (picture.height, picture.width), stored, MOST_GROWTH[picture.codec])


def _check_plain(path: Path, picture: PdfPicture, stored: int) -> None:
    """Refuse a claim that plain filters cannot meet from so many bytes."""
    growth = math.prod(PLAIN_GROWTH[name] for name in picture.packed)
    needed = picture.row_bytes * picture.height
    if needed > stored * growth + 64:
        raise unreadable(path, f"is damaged: {stored:,} bytes cannot hold {picture.width:,} x {picture.height:,} px")


def _inverted(path: Path, image: Any, colors: Colors) -> bool:
    """Whether /Decode turns values round; other ranges change tones and are refused."""
    stated = image.get("/Decode")
    if stated is None:
        return False
    values = [float(value) for value in stated]
    if colors.palette is None and values == [1.0, 0.0] * (len(values) // 2):
        return True
    plain = [0.0, 1.0] * (len(values) // 2)
    if values != plain and not (colors.palette is not None and values[0] == 0):
        raise unreadable(path, "holds a picture whose values are stretched by the page (/Decode)")
    return False


def _colors(path: Path, document: Any, image: Any) -> Colors:
    space = image.get("/ColorSpace")
    if space is None:  # a JPEG 2000 says itself; anything else is damaged, and told when it is decoded
        return Colors(0)
    return _space(path, document, space)


def _space(path: Path, document: Any, space: Any) -> Colors:
    import pikepdf

    parts = list(space) if isinstance(space, pikepdf.Array) else [space]
    name = {"G": "DeviceGray", "RGB": "DeviceRGB", "CMYK": "DeviceCMYK", "I": "Indexed"}.get(
        word := str(parts[0]).lstrip("/"), word
    )
    if name == "ICCBased" and len(parts) > 1:
        return _by_profile(path, parts[1])
    if name == "Indexed" and len(parts) > 3:
        return _indexed(path, document, parts)
    if name in CHANNELS:
        intent = _intent(document, CHANNELS[name]) if name.startswith("Device") else None
        calibrated = ("its color space is described by numbers, not by a profile, and taken as sRGB",)
        return Colors(CHANNELS[name], icc=intent, notes=calibrated if name.startswith("Cal") else ())
    what = REFUSED_SPACES.get(name, f"the color space {name}")
    raise unreadable(path, f"holds a picture in {what}", attempt=SCAN_AS_RGB)


def _by_profile(path: Path, stream: Any) -> Colors:
    channels = int(stream.get("/N", 0))
    if channels not in (1, 3):
        what = "CMYK" if channels == 4 else f"{channels} channels"
        raise unreadable(path, f"holds a picture in {what}", attempt=SCAN_AS_RGB)
    icc, notes = checked_profile(_stream_bytes(stream), channels)
    return Colors(channels, icc=icc, notes=notes)


def _stream_bytes(stream: Any) -> bytes:
    return plain_bytes(stream.read_raw_bytes(), filters_of(stream), MOST_BYTES)


def _indexed(path: Path, document: Any, parts: list[Any]) -> Colors:
    """A palette over gray or RGB (8.6.6.3)."""
    import pikepdf

    base = _space(path, document, parts[1])
    table = parts[3]
    raw = _stream_bytes(table) if isinstance(table, pikepdf.Stream) else bytes(table)
    entries = np.zeros((256, base.channels), np.uint8)
    flat = np.frombuffer(raw, np.uint8)[: entries.size]
    count = min(flat.size // base.channels, int(parts[2]) + 1)
    entries[:count] = flat[: count * base.channels].reshape(count, base.channels)
    entries.flags.writeable = False
    return Colors(base.channels, entries, base.icc, base.notes)


def _intent(document: Any, channels: int) -> bytes | None:
    """The profile that the document says its device colors are meant for, as PDF/A scans have."""
    for intent in document.Root.get("/OutputIntents", []):
        stream = intent.get("/DestOutputProfile")
        if stream is not None and int(stream.get("/N", 0)) == channels:
            return checked_profile(_stream_bytes(stream), channels)[0]
    return None
