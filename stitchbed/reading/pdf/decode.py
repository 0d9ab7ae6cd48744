"""I decode the stored picture of a PDF page.

In: what is known of it and its bytes. Out: bands of rows (rows, width, channels) uint8 or uint16, as stored.

Reference: ISO 32000-2:2020, 7.4.4 (Flate and its predictors), 7.4.6 (CCITT), 7.4.7 (JBIG2), 7.4.8 (JPEG), 7.4.9 (JPEG
2000). Pictures of one bit are decoded by the library that draws pages, which gives them unresampled.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np

from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.faults import unreadable
from stitchbed.reading.base.samples import from_bits, stretched
from stitchbed.reading.pdf.document import plain_bytes
from stitchbed.reading.pdf.drawing import stored_bitmap
from stitchbed.reading.pdf.inside import codec_bytes
from stitchbed.reading.pdf.picture import MOST_PLAIN, PdfPicture
from stitchbed.reading.stills.jpeg import frame_of
from stitchbed.reading.stills.png_rows import unfiltered

BAND_BYTES = 4 * 2**20


def picture_bands(path: Path, picture: PdfPicture, image: Any, place: int) -> Iterator[Pixels]:
    """Rows from top to bottom, colors as they are handed out. place : of the picture among those of its page, from 0.

    Raises
    ------
    UnreadableTile : the data are damaged or of another size. Errors of the decoders.
    """
    for samples in _samples(path, picture, image, place):
        yield _colored(picture, samples)


def _samples(path: Path, picture: PdfPicture, image: Any, place: int) -> Iterator[Pixels]:
    """Bands of (rows, width, samples), values as stored."""
    if picture.codec is None:
        yield from _plain(path, picture, image.read_raw_bytes())
        return
    inside = codec_bytes(image, picture)
    if picture.codec == "DCTDecode":
        yield _jpeg(path, picture, inside)
    elif picture.codec == "JPXDecode":
        yield _sized(path, picture, np.asarray(imagecodecs.jpeg2k_decode(inside)))
    else:
        yield _one_bit(path, picture, place)


def _plain(path: Path, picture: PdfPicture, data: bytes) -> Iterator[Pixels]:
    """Samples packed by plain filters; Flate is undone band by band, so that no claim takes more memory than a band."""
    rows = max(1, BAND_BYTES // (picture.row_bytes + 1))
    row_bytes = picture.row_bytes + (picture.predictor >= 10)
    counts = [min(rows, picture.height - row) for row in range(0, picture.height, rows)]
    stream = _unpacked(picture, data, picture.height * row_bytes)
    before, held = np.zeros(picture.row_bytes, np.uint8), bytearray()
    for count in counts:
        part = _portion(path, stream, held, count * row_bytes)
        if picture.predictor >= 10:
            raw = unfiltered(part, before, max(1, picture.samples * picture.bits // 8))
            before = raw[-1]
        else:
            raw = np.frombuffer(part, np.uint8).reshape(count, -1)
        samples = from_bits(raw, picture.bits, picture.width, picture.samples)
        yield _summed(samples, picture.bits) if picture.predictor == 2 else samples


def _summed(differences: Pixels, bits: int) -> Pixels:
    """Samples stored as what each has more than its left neighbor, within `bits` bits (TIFF 6.0, section 14)."""
    return imagecodecs.delta_decode(differences, axis=1) & differences.dtype.type(2**bits - 1)


def _unpacked(picture: PdfPicture, data: bytes, size: int) -> Iterator[bytes]:
    """The plain samples piece by piece."""
    if not picture.packed or picture.packed[-1] != "FlateDecode":
        yield plain_bytes(data, [(name, None) for name in picture.packed], size) if picture.packed else data
        return
    left = plain_bytes(data, [(name, None) for name in picture.packed[:-1]], MOST_PLAIN)
    inflater = zlib.decompressobj()
    while left and not inflater.eof:
        piece = inflater.decompress(left, BAND_BYTES)
        left = inflater.unconsumed_tail
        yield piece
    yield inflater.flush()


def _portion(path: Path, stream: Iterator[bytes], held: bytearray, size: int) -> bytes:
    """The next `size` bytes of a stream; what is left of its last piece stays in `held`."""
    while len(held) < size:
        piece = next(stream, None)
        if piece is None:
            raise unreadable(path, "is cut off or damaged: the data of its picture end early")
        held += piece
    part = bytes(held[:size])
    del held[:size]
    return part


def _jpeg(path: Path, picture: PdfPicture, data: bytes) -> Pixels:
    frame = frame_of(data)
    if frame is None or frame.bits != 8 or (frame.height, frame.width) != (picture.height, picture.width):
        raise unreadable(path, "is damaged: the JPEG in it has another size than the page says")
    if frame.components == 4:
        raise unreadable(path, "holds a JPEG in CMYK")
    stored = {0: "RGB", 1: "YCBCR"}.get(-1 if picture.transform is None else picture.transform)
    stored = stored if frame.components == 3 else None
    wanted = None if stored is None else "RGB"
    return _sized(path, picture, np.asarray(imagecodecs.jpeg8_decode(data, colorspace=stored, outcolorspace=wanted)))


def _sized(path: Path, picture: PdfPicture, pixels: Pixels) -> Pixels:
    """Decoded pixels as (h, w, samples), when they are what the page says."""
    pixels = pixels[..., np.newaxis] if pixels.ndim == 2 else pixels
    if pixels.shape != (picture.height, picture.width, picture.samples):
        found = " x ".join(str(side) for side in pixels.shape)
        raise unreadable(path, f"is damaged: the picture in it is {found}, the page says otherwise")
    return pixels


def _one_bit(path: Path, picture: PdfPicture, place: int) -> Pixels:
    """(h, w, 1) of 0 and 1, black and white as the page shows them; a stencil's bitmap says where it paints black."""
    shown = stored_bitmap(path, place)
    shown = 255 - shown if picture.stencil else shown
    return _sized(path, picture, (shown[..., :1] >> 7) ^ np.uint8(picture.inverted))


def _colored(picture: PdfPicture, samples: Pixels) -> Pixels:
    """Samples as handed out."""
    palette = picture.colors.palette
    if palette is not None:
        return palette[samples[..., 0]]
    full = stretched(samples, picture.bits)
    return np.iinfo(full.dtype).max - full if picture.inverted else full
