"""I check what is read out of a picture's dictionary, and out of the codec inside it where the page leaves it to that.

Reference: ISO 32000-1:2008, 8.6.6.3 (Indexed), 8.9.5 (image dictionaries, Decode), 14.11.5 (output intents); ISO/IEC
15444-1:2019, A.5.1 (SIZ, written here by hand), I.5.3.3 (colr).
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pikepdf
import pytest
from jpeg_bytes import jpeg, profile_segments
from picture_files import gray_profile, rgb_profile
from pikepdf import Array, Dictionary, Name

from stitchbed.core.errors import CanvasTooLarge, UnreadableTile
from stitchbed.reading.base.faults import NotOnePicture
from stitchbed.reading.pdf.content import UNIT, Painted
from stitchbed.reading.pdf.inside import codec_bytes, lost_in, self_said
from stitchbed.reading.pdf.picture import Colors, PdfPicture, layered, picture_of

PATH = Path("scan.pdf")
DOCUMENT = pikepdf.new()
GRAY, RGB = Name.DeviceGray, Name.DeviceRGB


def image(data: bytes = bytes(64), **said: Any) -> Any:
    """A picture of 4 x 5 px, gray of 8 bits unless said otherwise; entries given as None are left out."""
    entries = {"Width": 4, "Height": 5, "ColorSpace": GRAY, "BitsPerComponent": 8, **said}
    return DOCUMENT.make_stream(data, **{name: value for name, value in entries.items() if value is not None})


def read(data: bytes = bytes(64), *, black: bool = True, veiled: bool = False, **said: Any) -> PdfPicture:
    """Facts of that picture."""
    return picture_of(PATH, DOCUMENT, Painted(image(data, **said), UNIT, black, veiled), 10_000)


def test_a_plain_picture_is_what_its_dictionary_says() -> None:
    found = read(ColorSpace=RGB, BitsPerComponent=4)
    assert found == PdfPicture(5, 4, 4, 3, Colors(3), (), 1, False, False, None)
    assert (found.codec, found.row_bytes) == (None, 6)
    assert read(BitsPerComponent=None) == PdfPicture(5, 4, 8, 1, Colors(1), (), 1, False, False, None)
    assert read(BitsPerComponent=1, Width=9, Height=1).row_bytes == 2
    assert read(ImageMask=True, ColorSpace=None).colors == Colors(1)
    assert read(ImageMask=True, ColorSpace=None).stencil and read(ImageMask=True, ColorSpace=None).bits == 1


def test_filters_and_their_parameters() -> None:
    parms = Dictionary(Predictor=15, Colors=1, Columns=4)
    found = read(Filter=Name.Fl, DecodeParms=parms)
    assert (found.packed, found.predictor, found.codec) == (("FlateDecode",), 15, None)
    twice = Array([Name.ASCIIHexDecode, Name.DCTDecode])
    found = read(Filter=twice, DecodeParms=Array([Dictionary(), Dictionary(ColorTransform=0)]))
    assert (found.packed, found.predictor) == (("ASCIIHexDecode", "DCTDecode"), 1)
    assert (found.codec, found.transform) == ("DCTDecode", 0)
    assert read(Filter=Name.DCTDecode).transform is None
    assert read(Filter=Name.JBIG2Decode, BitsPerComponent=8).bits == 1


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"Filter": Name.Crypt}, "packed by Crypt"),
        ({"Filter": Array([Name.DCTDecode, Name.FlateDecode])}, "packed by DCTDecode"),
        ({"Filter": Name.LZWDecode, "DecodeParms": Dictionary(EarlyChange=0)}, "LZWDecode without early change"),
        ({"BitsPerComponent": 7}, "7 bits per sample"),
        ({"ColorSpace": Name.DeviceCMYK}, "in CMYK"),
        ({"ColorSpace": Name.CMYK}, "in CMYK"),
        ({"ColorSpace": Array([Name.Lab, Dictionary()])}, "in CIELAB"),
        ({"ColorSpace": Array([Name.DeviceN, Array([Name.Rust])])}, "in inks of a press"),
        ({"ColorSpace": Name.Sepia}, "in the color space Sepia"),
        ({"Decode": Array([0, 0.5])}, "stretched by the page"),
        ({"Decode": Array([0.5, 0])}, "stretched by the page"),
        ({"Height": 0}, "a size of 4 x 0 px"),
        ({"ColorSpace": RGB, "BitsPerComponent": 4, "Filter": Name.Fl, "DecodeParms": Dictionary(Predictor=12)}, "PNG"),
    ],
)
def test_kinds_that_are_not_read_are_named(said: dict[str, Any], words: str) -> None:
    with pytest.raises(UnreadableTile, match=words):
        read(**said)


def test_what_shows_through_a_mask_is_layered() -> None:
    mask = DOCUMENT.make_stream(b"")
    cases: list[dict[str, Any]] = [
        {"veiled": True}, {"SMask": mask}, {"Mask": mask}, {"ImageMask": True, "ColorSpace": None, "black": False},
    ]  # fmt: skip
    for case in cases:
        with pytest.raises(NotOnePicture, match="through a mask") as caught:
            read(**case)
        assert "scan.pdf@600, or --dpi 600" in caught.value.attempt
    assert read(black=False).bits == 8  # the color of stencils is nothing to pictures
    assert "shows a tram over it" in str(layered(PATH, "a tram over it"))


def test_claims_are_held_against_what_is_stored() -> None:
    with pytest.raises(CanvasTooLarge, match="101 x 100 px"):
        read(Width=101, Height=100)
    # 99 bytes of Flate unfold to 102,267 at most, and 64 are free
    wide = {"Filter": Name.FlateDecode, "Height": 1, "BitsPerComponent": 16, "ColorSpace": RGB}
    shown = Painted(image(bytes(99), Width=17_055, **wide), UNIT, True, False)
    assert picture_of(PATH, DOCUMENT, shown, 10**6).row_bytes == 102_330
    with pytest.raises(UnreadableTile, match="99 bytes cannot hold 17,056 x 1 px"):
        picture_of(PATH, DOCUMENT, replace(shown, image=image(bytes(99), Width=17_056, **wide)), 10**6)
    # 15,700 bytes of a JPEG stand for 1,024 px each at most: 16,076,800
    shown = Painted(image(bytes(15_700), Width=4009, Height=4009, Filter=Name.DCTDecode), UNIT, True, False)
    assert picture_of(PATH, DOCUMENT, shown, 10**8).width == 4009
    with pytest.raises(UnreadableTile, match="15,700 bytes cannot hold 4,010 x 4,010 px"):
        wide = image(bytes(15_700), Width=4010, Height=4010, Filter=Name.DCTDecode)
        picture_of(PATH, DOCUMENT, replace(shown, image=wide), 10**8)


@pytest.mark.parametrize(
    ("name", "growth"), [("LZWDecode", 2731), ("RunLengthDecode", 64), ("ASCII85Decode", 4), ("ASCIIHexDecode", 1)]
)
def test_every_plain_filter_has_the_most_it_can_unfold_to(name: str, growth: int) -> None:
    most = 50 * growth + 64  # bytes, of 50 and the few that are free
    for width in (most, most + 1):
        wide = image(bytes(50), Width=width, Height=1, Filter=Name(f"/{name}"))
        shown = Painted(wide, UNIT, True, False)
        if width == most:
            assert picture_of(PATH, DOCUMENT, shown, 10**6).width == most
            continue
        with pytest.raises(UnreadableTile, match="cannot hold"):
            picture_of(PATH, DOCUMENT, shown, 10**6)


def test_values_turned_round() -> None:
    assert not read(Decode=Array([0, 1])).inverted and not read(ColorSpace=RGB, Decode=Array([0, 1] * 3)).inverted
    assert read(Decode=Array([1, 0])).inverted and read(ColorSpace=RGB, Decode=Array([1, 0] * 3)).inverted
    indexed = Array([Name.Indexed, RGB, 1, pikepdf.String("aaaaaa")])
    assert not read(ColorSpace=indexed, Decode=Array([0, 255])).inverted
    with pytest.raises(UnreadableTile, match="stretched"):
        read(ColorSpace=indexed, BitsPerComponent=1, Decode=Array([1, 0]))
    with pytest.raises(UnreadableTile, match="stretched"):
        read(ColorSpace=RGB, Decode=Array([1, 0, 0, 1, 1, 0]))


@pytest.mark.parametrize("packed", [False, True])
def test_palettes_hold_what_the_table_says_and_no_more(packed: bool) -> None:
    table = bytes([1, 2, 3, 40, 50, 60, 7, 8, 9])
    stored = DOCUMENT.make_stream(zlib.compress(table), Filter=Name.FlateDecode) if packed else pikepdf.String(table)
    found = read(ColorSpace=Array([Name.Indexed, RGB, 1, stored]), BitsPerComponent=2)
    assert found.samples == 1 and found.colors.channels == 3
    assert found.colors.palette is not None and found.colors.palette.shape == (256, 3)
    assert found.colors.palette[:3].tolist() == [[1, 2, 3], [40, 50, 60], [0, 0, 0]]  # the third is behind the last
    gray = read(ColorSpace=Array([Name.I, GRAY, 255, stored])).colors
    assert gray.channels == 1 and gray.palette is not None
    assert gray.palette[:10, 0].tolist() == [*table, 0]


def test_profiles_come_from_the_space_or_from_what_the_document_is_meant_for() -> None:
    def by_profile(icc: bytes, channels: int) -> Any:
        return Array([Name.ICCBased, DOCUMENT.make_stream(icc, N=channels)])

    assert read(ColorSpace=by_profile(rgb_profile(), 3)).colors == Colors(3, icc=rgb_profile())
    assert read(ColorSpace=by_profile(gray_profile(), 1)).colors == Colors(1, icc=gray_profile())
    odd = read(ColorSpace=by_profile(b"no profile", 3)).colors
    assert (odd.icc, odd.notes) == (None, ("its color profile is ignored: it is no ICC profile",))
    for channels, words in ((4, "CMYK"), (2, "2 channels")):
        with pytest.raises(UnreadableTile, match=words):
            read(ColorSpace=by_profile(rgb_profile(), channels))
    meant = pikepdf.new()
    intent = Dictionary(DestOutputProfile=meant.make_stream(rgb_profile(), N=3))
    meant.Root.OutputIntents = Array([Dictionary(), intent])
    spaces = {RGB: rgb_profile(), GRAY: None, Name.CalRGB: None}
    for space, icc in spaces.items():
        shown = Painted(image(ColorSpace=space), UNIT, True, False)
        assert picture_of(PATH, meant, shown, 100).colors.icc == icc
    assert "described by numbers" in read(ColorSpace=Array([Name.CalGray, Dictionary()])).colors.notes[0]


def jpeg_2000(width: int, height: int, samples: int, bits: int, *, origin: tuple[int, int] = (0, 0)) -> bytes:
    """The beginning of a codestream: SOC and SIZ up to the bits of the first sample, and room behind."""
    sides = struct.pack(">8I", width + origin[0], height + origin[1], *origin, width, height, *origin)
    size = b"\xff\x4f\xff\x51" + struct.pack(">HH", 38 + 3 * samples, 0) + sides
    return size + struct.pack(">H", samples) + bytes([bits - 1, 1, 1]) * samples


def said_by(data: bytes, **said: Any) -> PdfPicture:
    """Facts of a JPEG 2000 picture, with what it says itself."""
    one = image(data, Filter=Name.JPXDecode, **said)
    return self_said(PATH, one, picture_of(PATH, DOCUMENT, Painted(one, UNIT, True, False), 10_000))


@pytest.mark.parametrize(("samples", "bits"), [(1, 8), (3, 8), (3, 16)])
def test_a_jpeg_2000_says_its_samples_and_bits(samples: int, bits: int) -> None:
    kind = np.uint8 if bits == 8 else np.uint16
    pixels = np.zeros((5, 4, samples), kind)
    made = bytes(imagecodecs.jpeg2k_encode(pixels[..., 0] if samples == 1 else pixels, level=0))
    for data in (made, jpeg_2000(4, 5, samples, bits), jpeg_2000(4, 5, samples, bits, origin=(3, 2))):
        found = said_by(data, ColorSpace=None, BitsPerComponent=None)
        assert (found.samples, found.bits, found.colors.channels) == (samples, bits, samples)


def test_the_header_of_a_jpeg_2000_is_looked_for_near_its_beginning() -> None:
    code = jpeg_2000(4, 5, 1, 8)
    assert said_by(bytes(2**16 - 4) + code).bits == 8
    with pytest.raises(UnreadableTile, match="no header"):
        said_by(bytes(2**16 - 3) + code)


@pytest.mark.parametrize(
    ("data", "said", "words"),
    [
        (jpeg_2000(5, 4, 1, 8), {}, "another size"),
        (jpeg_2000(4, 5, 3, 8), {}, "3 channels and 8 bits"),
        (jpeg_2000(4, 5, 2, 8), {"ColorSpace": None}, "2 channels"),
        (jpeg_2000(4, 5, 1, 12), {}, "12 bits"),
        (jpeg_2000(4, 5, 1, 8)[:42], {}, "no header"),
        (b"x" * 99, {}, "no header"),
    ],
)
def test_a_jpeg_2000_must_be_what_the_page_says(data: bytes, said: dict[str, Any], words: str) -> None:
    with pytest.raises(UnreadableTile, match=words):
        said_by(data, **said)


def test_the_profile_of_a_jpeg_2000_counts_where_the_page_names_none() -> None:
    icc = rgb_profile()
    colr = struct.pack(">I4sBBB", 11 + len(icc), b"colr", 2, 0, 0) + icc
    by_number = struct.pack(">I4sBBBI", 15, b"colr", 1, 0, 0, 16)
    code = jpeg_2000(4, 5, 3, 8)
    assert said_by(colr + code, ColorSpace=None).colors.icc == icc
    assert said_by(by_number + code, ColorSpace=None).colors.icc is None
    own = Array([Name.ICCBased, DOCUMENT.make_stream(icc[:-4] + b"quay", N=3)])
    assert said_by(colr + code, ColorSpace=own).colors.icc == icc[:-4] + b"quay"


def test_the_profile_of_a_jpeg_counts_where_the_page_names_none() -> None:
    pixels = np.full((5, 4, 3), 128, np.uint8)
    one = image(jpeg(pixels, profile_segments(rgb_profile())), ColorSpace=RGB, Filter=Name.DCTDecode)
    plain = picture_of(PATH, DOCUMENT, Painted(one, UNIT, True, False), 100)
    assert self_said(PATH, one, plain).colors.icc == rgb_profile()
    own = replace(plain, colors=Colors(3, icc=b"its own"))
    assert self_said(PATH, one, own) is own
    fax = replace(plain, packed=("CCITTFaxDecode",))
    assert self_said(PATH, one, fax) is fax
    with pytest.raises(UnreadableTile, match="no color space"):
        self_said(PATH, one, replace(plain, colors=Colors(0)))


def test_what_a_codec_lost_and_its_bytes() -> None:
    pixels = np.full((16, 16, 3), 128, np.uint8)
    for sampling, halved in (("444", False), ("420", True)):
        data = jpeg(pixels, subsampling=sampling)
        filters = Array([Name.ASCIIHexDecode, Name.DCTDecode])
        one = image(data.hex().encode() + b">", Width=16, Height=16, ColorSpace=RGB, Filter=filters)
        found = picture_of(PATH, DOCUMENT, Painted(one, UNIT, True, False), 1000)
        assert codec_bytes(one, found) == data
        lost = lost_in(one, found)
        assert lost[0] == "the JPEG in it is lossy" and ("its colors have half the resolution" in lost) is halved
    flat = image(Filter=Name.FlateDecode)
    assert lost_in(flat, read(Filter=Name.FlateDecode)) == ()
    (said,) = lost_in(flat, read(Filter=Name.JPXDecode))
    assert said.startswith("JPEG 2000 is lossy unless")
