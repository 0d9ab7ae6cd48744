"""I open a PDF document within bounds of memory, and undo the plain filters of its streams.

In: a path. Out: an open document, and bytes of streams, never more than asked for.

Reference: ISO 32000-2:2020, 7.4 (filters), 7.6 (encryption).
"""

from __future__ import annotations

import base64
import binascii
import logging
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import imagecodecs

from stitchbed.core.addresses import file_of
from stitchbed.reading.base.faults import telling, unreadable

FLATE_BYTES = 64 * 2**20  # tables of a document; those of 10,000 pages take a tenth of it
PLAIN = ("FlateDecode", "LZWDecode", "RunLengthDecode", "ASCII85Decode", "ASCIIHexDecode")
SHORT = {
    "Fl": "FlateDecode", "LZW": "LZWDecode", "RL": "RunLengthDecode", "A85": "ASCII85Decode", "AHx": "ASCIIHexDecode",
    "CCF": "CCITTFaxDecode", "DCT": "DCTDecode",
}  # fmt: skip


@contextmanager
def opened(path: Path) -> Iterator[Any]:
    """The open document (pikepdf.Pdf) of the file that `path` names a picture in.

    Raises
    ------
    UnreadableTile : no PDF, damaged, locked with a password.
    """
    import pikepdf  # a tenth of a second that other kinds of files need not wait for

    logging.getLogger("pikepdf").setLevel(logging.CRITICAL)  # warnings are told as notes, from the document itself
    with telling(path, "reading its header"):
        # process-wide and the same in every call: a few bytes cannot unfold into gigabytes
        pikepdf.settings.set_qpdf_limits(flate_max_memory=FLATE_BYTES, png_max_memory=FLATE_BYTES, doc_max_warnings=200)
        try:
            document = pikepdf.open(file_of(path), access_mode=pikepdf.AccessMode.stream)
        except pikepdf.PasswordError as error:
            raise unreadable(
                path,
                "is locked with a password",
                expected="a PDF that opens without one",
                attempt="save it without a password, or scan to TIFF",
            ) from error
        with document:
            yield document


def filters_of(stream: Any) -> list[tuple[str, Any]]:
    """(name, parameters or None) of each filter, in the order in which they are undone."""
    names = _listed(stream.get("/Filter"))
    parms = _listed(stream.get("/DecodeParms"))
    words = [str(name).lstrip("/") for name in names]
    return [(SHORT.get(word, word), parms[at] if at < len(parms) else None) for at, word in enumerate(words)]


def plain_bytes(data: bytes, filters: list[tuple[str, Any]], most: int) -> bytes:
    """`data` with plain filters (those of PLAIN, without predictors) undone in turn, each to at most `most` bytes.

    Raises
    ------
    ValueError : another filter, damaged data, or run lengths of more bytes. Errors of the decoders.
    """
    for name, parms in filters:
        if name not in PLAIN or predictor_of(parms) > 1 or changes_late(parms):
            raise ValueError(f"the filter {name} where a plain one is expected")
        data = _unfiltered(name, data, most)
    return data


def predictor_of(parms: Any) -> int:
    """Predictor of a filter's parameters: 1 none, 2 of TIFF, 10 and above of PNG (7.4.4.4)."""
    return 1 if parms is None else int(parms.get("/Predictor", 1))


def changes_late(parms: Any) -> bool:
    """Whether LZW codes become longer one later than those of TIFF (7.4.4.3, EarlyChange), which is not read here."""
    return parms is not None and int(parms.get("/EarlyChange", 1)) == 0


def _unfiltered(name: str, data: bytes, most: int) -> bytes:
    if name == "FlateDecode":
        return zlib.decompressobj().decompress(data, most)
    if name == "LZWDecode":
        return bytes(imagecodecs.lzw_decode(data, out=most))
    if name == "RunLengthDecode":
        return bytes(imagecodecs.packbits_decode(data, out=most))
    if name == "ASCII85Decode":
        return base64.a85decode(data.strip().removesuffix(b"~>").removeprefix(b"<~"))[:most]
    digits = bytes(data.partition(b">")[0].translate(None, b" \t\r\n\f\0"))
    return binascii.unhexlify(digits + b"0" * (len(digits) % 2))[:most]


def _listed(value: Any) -> list[Any]:
    """A filter entry as a list: it may be one, several, or missing."""
    import pikepdf

    if value is None:
        return []
    return list(value) if isinstance(value, pikepdf.Array) else [value]
