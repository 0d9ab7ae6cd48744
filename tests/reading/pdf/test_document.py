"""I check that plain filters are undone as their standards' own examples say, and that bounds hold.

Reference: ISO 32000-1:2008, 7.4.2 to 7.4.5 (with the worked LZW example of 7.4.4.2), 7.6.
The run-length example is that of Apple's technical note 1023 (1996), which TIFF 6.0, section 9, took its packing from.
"""

from __future__ import annotations

import zlib
from pathlib import Path

import pikepdf
import pytest
from pdf_bytes import flate_page, pdf
from picture_files import scene
from pikepdf import Array, Dictionary, Name

from stitchbed.core.errors import UnreadableTile
from stitchbed.reading.pdf.document import filters_of, opened, plain_bytes, predictor_of

LZW_PLAIN = bytes([45, 45, 45, 45, 45, 65, 45, 45, 45, 66])
LZW = bytes.fromhex("800B6050220C0C8501")
RUNS_PLAIN = bytes.fromhex("AAAAAA80002AAAAAAAAA80002A22AAAAAAAAAAAAAAAAAAAA")
RUNS = bytes.fromhex("FEAA0280002AFDAA0380002A22F7AA")
CASES = {
    "lzw": ("LZWDecode", LZW, LZW_PLAIN),
    "runs": ("RunLengthDecode", RUNS, RUNS_PLAIN),
    "hex": ("ASCIIHexDecode", b"48 61\n72626F72 >rest", b"Harbor"),
    "hex of an odd count of digits": ("ASCIIHexDecode", b"7>", b"p"),
    "base 85": ("ASCII85Decode", b"<~9jqo^~>", b"Man "),  # the well-known beginning of the code's first example
    "base 85 as PDF writes it": ("ASCII85Decode", b" 9jqo^\n9jqo^~>\n", b"Man Man "),
    "base 85 of zeros": ("ASCII85Decode", b"z~>", bytes(4)),
    "flate": ("FlateDecode", zlib.compress(b"Quay"), b"Quay"),
}


@pytest.mark.parametrize("case", CASES)
def test_plain_filters_by_published_examples(case: str) -> None:
    name, packed, plain = CASES[case]
    assert plain_bytes(packed, [(name, None)], 4096) == plain
    if name != "RunLengthDecode":
        assert plain_bytes(packed, [(name, None)], 3) == plain[:3]
        return
    with pytest.raises(Exception, match="OUTPUT_TOO_SMALL"):
        plain_bytes(packed, [(name, None)], len(plain) - 1)


def test_filters_are_undone_in_turn() -> None:
    packed = LZW.hex().encode() + b">"
    assert plain_bytes(packed, [("ASCIIHexDecode", None), ("LZWDecode", None)], 4096) == LZW_PLAIN
    assert plain_bytes(b"as it is", [], 3) == b"as it is"


@pytest.mark.parametrize("name", ["DCTDecode", "Crypt", "JBIG2Decode"])
def test_other_filters_are_refused(name: str) -> None:
    with pytest.raises(ValueError, match=f"the filter {name} where a plain one is expected"):
        plain_bytes(b"", [(name, None)], 9)


def test_filters_with_other_parameters_than_plain_are_refused() -> None:
    flat = zlib.compress(b"Quay")
    assert plain_bytes(flat, [("FlateDecode", Dictionary(Predictor=1))], 9) == b"Quay"
    with pytest.raises(ValueError, match="the filter FlateDecode"):
        plain_bytes(flat, [("FlateDecode", Dictionary(Predictor=2))], 9)
    assert plain_bytes(LZW, [("LZWDecode", Dictionary(EarlyChange=1))], 99) == LZW_PLAIN
    with pytest.raises(ValueError, match="the filter LZWDecode"):
        plain_bytes(LZW, [("LZWDecode", Dictionary(EarlyChange=0))], 99)


def test_the_predictor_is_none_unless_said() -> None:
    assert [predictor_of(parms) for parms in (None, Dictionary(), Dictionary(Predictor=15))] == [1, 1, 15]


def test_filters_are_listed_in_order_with_their_parameters() -> None:
    document = pikepdf.new()
    said = Dictionary(K=-1)
    listed = Array([Name.AHx, Name.CCF, Name.JPXDecode])
    both = document.make_stream(b"", Filter=listed, DecodeParms=Array([Dictionary(), said]))
    (first, second, third) = filters_of(both)
    assert [first[0], second[0], third[0]] == ["ASCIIHexDecode", "CCITTFaxDecode", "JPXDecode"]
    assert (second[1], third[1]) == (said, None)
    (only,) = filters_of(document.make_stream(b"", Filter=Name.FlateDecode, DecodeParms=Dictionary(Predictor=12)))
    assert only[0] == "FlateDecode" and predictor_of(only[1]) == 12
    short = document.make_stream(b"", Filter=Array([Name(f"/{word}") for word in ("Fl", "LZW", "RL", "A85", "DCT")]))
    long = ["FlateDecode", "LZWDecode", "RunLengthDecode", "ASCII85Decode", "DCTDecode"]
    assert [name for name, _ in filters_of(short)] == long
    assert filters_of(document.make_stream(b"")) == []


def test_a_document_is_opened_by_the_path_of_one_of_its_pages_and_closed(tmp_path: Path) -> None:
    (tmp_path / "scan.pdf").write_bytes(pdf([flate_page(scene())] * 3))
    for name in ("scan.pdf", "scan.pdf:2", "scan.pdf:3@600"):
        with opened(tmp_path / name) as document:
            assert len(document.pages) == 3
            contents = document.pages[0].obj.Contents
        with pytest.raises(Exception, match="closed input source"):
            contents.read_raw_bytes()


def test_what_is_no_document_and_what_is_locked_end_in_words(tmp_path: Path) -> None:
    path = tmp_path / "scan.pdf"
    path.write_bytes(b"%PDF-1.7\nno more")
    with pytest.raises(UnreadableTile, match=r"scan\.pdf"), opened(path):
        pass
    locked = pikepdf.new()
    locked.add_blank_page()
    locked.save(path, encryption=pikepdf.Encryption(owner="ferry", user="ferry"))
    with pytest.raises(UnreadableTile, match="locked with a password") as caught, opened(path):
        pass
    assert "without a password" in caught.value.attempt


def test_errors_inside_the_block_become_words(tmp_path: Path) -> None:
    (tmp_path / "scan.pdf").write_bytes(pdf([flate_page(scene())]))
    with pytest.raises(UnreadableTile, match="reading its header failed"), opened(tmp_path / "scan.pdf"):
        raise ValueError("tram")
