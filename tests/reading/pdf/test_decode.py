"""I check that stored samples come out right, by rows worked out by hand, and that data that end early do not pass.

Reference: ISO 32000-1:2008, 7.4 (filters), 8.9.5 (Decode, stencils); ISO/IEC 15948:2004, 9.2 (the filters of PNG);
TIFF 6.0 (1992), section 14 (differences).
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
from jpeg_bytes import jpeg
from pdf_bytes import PdfPage, fax4, jbig2, pdf

from stitchbed.core.errors import UnreadableTile
from stitchbed.reading.pdf import decode
from stitchbed.reading.pdf.decode import picture_bands
from stitchbed.reading.pdf.picture import Colors, PdfPicture

PATH = Path("scan.pdf")


@dataclass(frozen=True)
class Stream:
    """A picture's stored bytes."""

    data: bytes

    def read_raw_bytes(self) -> bytes:
        """All of them."""
        return self.data


def picture(height: int, width: int, **said: Any) -> PdfPicture:
    """8 bits gray packed by Flate, or as said."""
    plain = {"bits": 8, "samples": 1, "colors": Colors(1), "packed": ("FlateDecode",), "predictor": 1}
    odd = {"inverted": False, "stencil": False, "transform": None}
    return PdfPicture(height, width, **{**plain, **odd, **said})


def bands(data: bytes, said: PdfPicture) -> list[np.ndarray]:
    """What comes out; the data are packed by Flate where the picture says so."""
    packed = zlib.compress(data) if said.packed == ("FlateDecode",) else data
    return list(picture_bands(PATH, said, Stream(packed), 0))


def test_png_filters_by_hand() -> None:
    rows = [
        bytes([0, 10, 20, 30]),  # none
        bytes([1, 10, 5, 250]),  # left: 10, 15, 265 - 256
        bytes([2, 1, 2, 3]),  # above: 11, 17, 12
        bytes([3, 5, 5, 5]),  # mean of left and above, rounded down: 5 + 5, 5 + 13, 5 + 15
        bytes([4, 1, 1, 1]),  # Paeth: above each time, as 10, 11 + 18 - 10, 19 + 20 - 18 lie nearest to it
    ]
    (out,) = bands(b"".join(rows), picture(5, 3, predictor=10))
    assert out[..., 0].tolist() == [[10, 20, 30], [10, 15, 9], [11, 17, 12], [10, 18, 20], [11, 19, 21]]


def test_rows_of_a_band_follow_the_last_row_of_the_one_before(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decode, "BAND_BYTES", 8)  # two rows of 3 and their filter
    rows = b"\0\x01\x02\x03" + b"\2\1\1\1" * 4
    out = bands(rows, picture(5, 3, predictor=15))
    assert [one.shape[0] for one in out] == [2, 2, 1]
    assert np.concatenate(out)[..., 0].tolist() == [[1 + k, 2 + k, 3 + k] for k in range(5)]


def test_left_is_a_pixel_not_a_byte() -> None:
    (out,) = bands(bytes([1, 1, 2, 3, 1, 1, 1]), picture(1, 2, predictor=11, samples=3, colors=Colors(3)))
    assert out.tolist() == [[[1, 2, 3], [2, 3, 4]]]
    (out,) = bands(bytes([1, 1, 0, 1, 255]), picture(1, 2, predictor=11, bits=16))
    assert out.tolist() == [[[256], [767]]]  # bytes are added one by one: 2, 255
    (out,) = bands(bytes([1, 0x12, 0x34]), picture(1, 4, predictor=11, bits=4))
    assert out[0, :, 0].tolist() == [17, 34, 4 * 17, 6 * 17]  # less than a byte counts as one: 12, then 12 + 34 = 46


@pytest.mark.parametrize(
    ("bits", "data", "values"),
    [
        (8, bytes([250, 10, 255]), [250, 4, 3]),
        (16, bytes([255, 250, 0, 10, 255, 255]), [65530, 4, 3]),
        (4, bytes([0xE3, 0xF0]), [14 * 17, 1 * 17, 0]),  # 14, 14 + 3, 1 + 15, within four bits
        (1, bytes([0b11000000]), [255, 0, 0]),
    ],
)
def test_differences_of_tiff_stay_within_their_bits(bits: int, data: bytes, values: list[int]) -> None:
    (out,) = bands(data, picture(1, 3, predictor=2, bits=bits))
    assert out[0, :, 0].tolist() == values


def test_differences_are_those_of_each_color() -> None:
    (out,) = bands(bytes([1, 2, 3, 10, 20, 30]), picture(1, 2, predictor=2, samples=3, colors=Colors(3)))
    assert out.tolist() == [[[1, 2, 3], [11, 22, 33]]]


def test_palette_and_turned_values() -> None:
    table = np.arange(768, dtype=np.uint16).reshape(256, 3).astype(np.uint8)
    (out,) = bands(bytes([0b00011011]), picture(1, 4, bits=2, colors=Colors(3, table)))
    assert out[0].tolist() == [[0, 1, 2], [3, 4, 5], [6, 7, 8], [9, 10, 11]]
    (out,) = bands(bytes([0, 1, 255]), picture(1, 3, inverted=True))
    assert out[0, :, 0].tolist() == [255, 254, 0]
    (out,) = bands(bytes([0, 1]), picture(1, 1, bits=16, inverted=True))
    assert out.dtype == np.uint16 and out.item() == 65534
    (out,) = bands(bytes([0b00011011]), picture(1, 4, bits=2, inverted=True))
    assert out[0, :, 0].tolist() == [255, 170, 85, 0]


@pytest.mark.parametrize("packed", [(), ("LZWDecode",), ("ASCIIHexDecode", "FlateDecode"), ("ASCIIHexDecode",)])
def test_every_plain_packing_gives_its_samples(packed: tuple[str, ...]) -> None:
    data = bytes(range(200))
    for name in reversed(packed):
        coder = {"LZWDecode": imagecodecs.lzw_encode, "FlateDecode": zlib.compress}.get(name)
        data = bytes(coder(data)) if coder else data.hex().encode() + b">"
    (out,) = bands(data, picture(20, 10, packed=packed))
    assert out.tobytes() == bytes(range(200))


@pytest.mark.parametrize(("predictor", "rows"), [(1, bytes(12)), (2, bytes(12)), (10, bytes(16))])
def test_data_of_the_right_length_are_enough_and_one_byte_less_is_not(predictor: int, rows: bytes) -> None:
    said = picture(4, 3, predictor=predictor)
    assert bands(rows, said)[0].shape == (4, 3, 1)
    assert bands(rows + b"more", said)[0].shape == (4, 3, 1)
    with pytest.raises(UnreadableTile, match="end early"):
        bands(rows[:-1], said)


def test_jpegs_are_taken_by_what_they_and_the_page_say() -> None:
    color = np.zeros((16, 24, 3), np.uint8)
    color[..., 0] = 200
    said = {"packed": ("DCTDecode",), "samples": 3, "colors": Colors(3)}
    (out,) = bands(jpeg(color, level=98), picture(16, 24, **said))
    assert abs(out.astype(int) - color).max() <= 3
    untouched = bytes(imagecodecs.jpeg8_encode(color, level=98, colorspace="RGB", outcolorspace="RGB"))
    bare = untouched[:2] + untouched[untouched.index(b"\xff\xdb") :]  # no segment says what its colors are
    (out,) = bands(bare, picture(16, 24, **said, transform=0))
    assert abs(out.astype(int) - color).max() <= 3
    (out,) = bands(bare, picture(16, 24, **said, transform=1))
    assert abs(out.astype(int) - color).max() > 50  # 200, 0, 0 as YCbCr is another color
    (out,) = bands(jpeg(color[..., :1]), picture(16, 24, packed=("DCTDecode",)))
    assert abs(out.astype(int) - 200).max() <= 1
    with pytest.raises(UnreadableTile, match="another size"):
        bands(jpeg(color), picture(16, 25, **said))
    with pytest.raises(UnreadableTile, match="16 x 24 x 3, the page says otherwise"):
        bands(jpeg(color), picture(16, 24, packed=("DCTDecode",)))
    cmyk = bytes(imagecodecs.jpeg8_encode(np.zeros((16, 24, 4), np.uint8), colorspace="CMYK", outcolorspace="CMYK"))
    with pytest.raises(UnreadableTile, match="CMYK"):
        bands(cmyk, picture(16, 24, **said))


def test_a_jpeg_2000_comes_out_as_it_went_in() -> None:
    deep = (np.arange(60, dtype=np.uint16) * 1000).reshape(4, 5, 3)
    packed = bytes(imagecodecs.jpeg2k_encode(deep, level=0))
    said = {"packed": ("JPXDecode",), "samples": 3, "bits": 16, "colors": Colors(3)}
    (out,) = bands(packed, picture(4, 5, **said))
    assert np.array_equal(out, deep)
    with pytest.raises(UnreadableTile, match="4 x 5 x 3"):
        bands(packed, picture(5, 4, **said))


@pytest.mark.parametrize("codec", ["fax", "jbig2"])
@pytest.mark.parametrize("way", ["picture", "turned", "stencil"])
def test_single_bits_are_black_where_the_page_shows_black(codec: str, way: str, tmp_path: Path) -> None:
    black = np.zeros((3, 10), np.uint8)
    black[1, 2:7] = 1
    parms = "/DecodeParms << /K -1 /Columns 10 /Rows 3 >>" if codec == "fax" else ""
    name = "CCITTFaxDecode" if codec == "fax" else "JBIG2Decode"
    kind = "/ImageMask true" if way == "stencil" else "/ColorSpace /DeviceGray"
    entries = f"{kind} /BitsPerComponent 1 /Filter /{name} {parms} {'/Decode [1 0]' if way == 'turned' else ''}"
    data = (fax4 if codec == "fax" else jbig2)(1 - black if way == "turned" else black)
    (tmp_path / "scan.pdf").write_bytes(pdf([PdfPage((3, 10), entries, data)]))
    said = picture(3, 10, bits=1, packed=(name,), inverted=way == "turned", stencil=way == "stencil")
    (out,) = picture_bands(tmp_path / "scan.pdf", said, Stream(data), 0)
    assert np.array_equal(out[..., 0], (1 - black) * 255)
    with pytest.raises(UnreadableTile, match="cannot be decoded"):
        list(picture_bands(tmp_path / "scan.pdf", said, Stream(data), 1))
