"""I read header and pixels of HEIF files: HEIC as phones write it, and AVIF.

In: a path, of a file or of one picture in it (`photo.heic:2`). Out: a `Header`, and bands of decoded rows.

Turns and mirrors of the container are done by the library; orientation in EXIF repeats them and is passed over, and so
are thumbnails, depth and gain maps. Reference: ISO/IEC 23008-12:2022 (HEIF), 6.5 (properties), 6.6 (derived pictures);
AV1 Image File Format 1.1.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np

from stitchbed.core.addresses import address_of, file_of
from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.faults import SCAN_AS_RGB, check_growth, check_size, telling, unreadable
from stitchbed.reading.base.header import Header
from stitchbed.reading.base.samples import stretched
from stitchbed.reading.base.tile import Raster
from stitchbed.reading.metadata.cicp import Coded
from stitchbed.reading.metadata.exif import Dpi, made_by_camera, read_exif
from stitchbed.reading.metadata.icc import checked_profile
from stitchbed.reading.metadata.losses import lossy
from stitchbed.reading.views.orientation import turned

BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"avif", b"avis", b"mif2", b"MiHB")
MOST_GROWTH = 8192  # px per byte: a blank page has 4,800 as AVIF and 1,600 as HEIC (tried)
MOST_HEAD = 2**20  # bytes in which the container's tables lie
STANDARD_RANGE = "set the camera to standard range instead of HDR, or save the picture as TIFF in standard range"


@dataclass(frozen=True)
class HeifPicture:
    """place : of the picture among those of the file, from 0. av1 : coded by AV1, else by HEVC.

    height, width : px as shown. samples : with alpha. bits : of each sample.
    """

    place: int
    av1: bool
    height: int
    width: int
    samples: int
    bits: int


def begins(head: bytes) -> bool:
    """Whether a file is HEIF, by its first 12 bytes."""
    return head[4:8] == b"ftyp" and head[8:12] in BRANDS


def count(path: Path) -> int:
    """Pictures in the file; of AVIF the one that is meant to be shown.

    Raises
    ------
    UnreadableTile : damaged.
    """
    with telling(path, "reading its header"):
        data = path.read_bytes()
        return 1 if _by_av1(data) else len(_opened(data))


def read_header(path: Path, max_pixels: int) -> Header:
    """What the container says; no pixel is decoded.

    Raises
    ------
    UnreadableTile, CanvasTooLarge : damaged, too large, high dynamic range, a kind that is not read here.
    """
    with telling(path, "reading its header"):
        data = file_of(path).read_bytes()
        av1 = _by_av1(data)
        held = _opened(data)
        place = held.primary_index if av1 else (address_of(path).number or 1) - 1
        picture = held[place]
    width, height = picture.size
    check_size(path, (height, width), max_pixels=max_pixels)
    check_growth(path, (height, width), len(data), MOST_GROWTH)
    samples, bits = _kind(path, picture)
    color = 1 if samples < 3 else 3
    icc, notes = _profile(path, picture.info, color)
    dtype = "uint16" if bits > 8 else "uint8"
    halved = picture.info.get("chroma") in (420, 422)
    lost = lossy("AVIF" if av1 else "HEIC", bits=bits, halved=halved, camera=_by_camera(picture.info))
    raster = Raster((height, width, color), dtype, bits, icc, _dpi(picture.info), False, samples in (2, 4), lost=lost)
    layout = HeifPicture(place, av1, height, width, samples, bits)
    return Header(raster, 1, bool(picture.premultiplied_alpha), layout, notes)


def at_once(header: Header) -> int:
    """Bytes decoding takes: the coded planes, the picture in the library, and a copy."""
    layout: HeifPicture = header.layout
    return layout.height * layout.width * (3 + 2 * layout.samples) * (2 if layout.bits > 8 else 1)


def bands(path: Path, header: Header) -> Iterator[Pixels]:
    """The picture as one band (rows, width, samples)."""
    layout: HeifPicture = header.layout
    with telling(path, "decoding it"):
        data = file_of(path).read_bytes()
        decoded = _from_av1(data) if layout.av1 else _from_hevc(data, layout.place)
        decoded = decoded.reshape(*decoded.shape[:2], -1)
    if decoded.shape[2] == 3 and layout.samples == 1:
        decoded = decoded[..., :1]
    if decoded.shape != (layout.height, layout.width, layout.samples):
        found = f"is damaged or cropped by its container: it holds {decoded.shape[1]} x {decoded.shape[0]} px"
        raise unreadable(path, found)
    yield stretched(decoded, layout.bits)


def _opened(data: bytes) -> Any:
    """The pictures of a file (pi_heif.HeifFile); none is decoded yet."""
    import pi_heif  # late: other kinds of files need not wait for it

    return pi_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False, hdr_to_16bit=False)


def _by_av1(data: bytes) -> bool:
    head = data[:MOST_HEAD]
    return b"av1C" in head and b"hvcC" not in head


def _kind(path: Path, picture: Any) -> tuple[int, int]:
    """(samples, bits) of a picture."""
    mode = str(picture.mode).partition(";")[0]
    samples = {"L": 1, "LA": 2, "RGB": 3, "RGBA": 4, "RGBa": 4, "La": 2}.get(mode)
    bits = int(picture.info.get("bit_depth", 8))
    if samples is None or bits not in (8, 10, 12):
        raise unreadable(path, f"is a HEIF picture of {bits} bits in mode {picture.mode}", attempt=SCAN_AS_RGB)
    return (1 if picture.info.get("chroma") == 400 and samples == 3 else samples), bits


def _profile(path: Path, info: dict[str, Any], color: int) -> tuple[bytes | None, tuple[str, ...]]:
    """The profile, embedded or made of coded numbers."""
    embedded = info.get("icc_profile")
    said = info.get("nclx_profile") or {}
    coded = Coded(int(said.get("color_primaries", 2)), int(said.get("transfer_characteristics", 2)))
    if embedded:
        return checked_profile(embedded, color)
    if coded.plain:
        return None, ()
    if not coded.known:
        raise unreadable(path, f"is in {coded.words}", expected="a picture in standard range", attempt=STANDARD_RANGE)
    return coded.profile(color), ()


def _by_camera(info: dict[str, Any]) -> bool:
    """Whether EXIF names a maker."""
    return made_by_camera((info.get("exif") or b"").removeprefix(b"Exif\0\0"))


def _dpi(info: dict[str, Any]) -> Dpi:
    exif = info.get("exif")
    return read_exif(exif.removeprefix(b"Exif\0\0"))[1] if exif else None


def _from_hevc(data: bytes, place: int) -> Pixels:
    """One picture of a file as shown, copied while the file is held: the library's array is its own memory."""
    held = _opened(data)
    picture = held[place]
    return np.array(picture)


def _from_av1(data: bytes) -> Pixels:
    """The picture of an AVIF file as shown: the decoder leaves turns and mirrors to its caller."""
    from PIL import Image

    with Image.open(io.BytesIO(data)) as seen:
        turn = int(seen.getexif().get(274, 1))
    return np.ascontiguousarray(turned(np.asarray(imagecodecs.avif_decode(data)), turn if 1 <= turn <= 8 else 1))
