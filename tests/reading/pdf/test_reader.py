"""I check what a PDF page is told to be, what it takes to decode, and which documents hold pictures at all.

Reference: ISO 32000-1:2008, 7.7.3.3, 8.9.5.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pdf_bytes import RGB, PdfPage, flate_page, pdf, stream
from picture_files import scene

from stitchbed.core.errors import CanvasTooLarge, UnreadableTile
from stitchbed.imaging.box import Box
from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.base.faults import NotOnePicture
from stitchbed.reading.base.header import Header
from stitchbed.reading.pdf import reader
from stitchbed.reading.pdf.picture import Colors, PdfPicture
from stitchbed.reading.pdf.reader import DrawnPage, at_once, count, has_pictures, open_stored, read_header

PIXELS = scene(height=12, width=10)
PAGE = flate_page(PIXELS)
MOST = 10**6


def document(folder: Path, *pages: PdfPage) -> Path:
    """A document of these pages."""
    (folder / "scan.pdf").write_bytes(pdf(pages))
    return folder / "scan.pdf"


def test_pages_are_counted_within_bounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert count(document(tmp_path, PAGE)) == 1
    path = document(tmp_path, *[PAGE] * 3)
    assert count(path) == 3
    monkeypatch.setattr(reader, "MOST_PAGES", 2)
    with pytest.raises(UnreadableTile, match="a PDF of 3 pages"):
        count(path)


def test_documents_of_writing_alone_hold_no_picture(tmp_path: Path) -> None:
    lines = replace(PAGE, program=b"0 0 m 9 9 l S")
    assert not has_pictures(document(tmp_path, lines, lines))
    assert has_pictures(document(tmp_path, lines, PAGE))
    (tmp_path / "scan.pdf").write_bytes(b"quay")
    assert not has_pictures(tmp_path / "scan.pdf")
    (tmp_path / "scan.pdf").write_bytes(b"%PDF-1.7 and no more")
    assert has_pictures(tmp_path / "scan.pdf")  # damaged: told when it is read
    assert has_pictures(tmp_path / "not-there.pdf")


def test_the_header_of_a_page_turned(tmp_path: Path) -> None:
    path = document(tmp_path, replace(PAGE, points=(2.4, 1.44), extra="/Rotate 90"))
    header = read_header(path, MOST)
    assert (header.orientation, header.associated, header.notes) == (6, False, ())
    assert header.raster.shape == (10, 12, 3)
    assert header.raster.dpi == (600.0, 300.0)  # 12 rows on 1.44 points run across, 10 columns on 2.4 down
    assert (header.raster.dtype, header.raster.bits, header.raster.windowed) == ("uint8", 8, False)
    (layout,) = header.layout
    assert (layout.height, layout.width) == (12, 10)


def test_notes_tell_what_was_passed_over(tmp_path: Path) -> None:
    page = replace(PAGE, after="BT 3 Tr (Quay) Tj ET", points=(100, 100), matrix="100 1 -1 100 0 0")
    notes = read_header(document(tmp_path, page), MOST).notes
    assert notes == (
        "its picture lies turned by 0.57 degrees on the page and is taken unturned",  # atan(1 / 100)
        "writing that is not shown (recognized characters) was passed over",
    )


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"program": b" "}, "shows no picture"),
        ({"program": b"0 0 9 9 re f"}, "shows lines or areas and no picture"),
        ({"after": "0 0 9 9 re f"}, "shows lines or areas over its picture"),
        ({"before": "0 0 9 9 re f", "points": (9, 9), "matrix": "5 0 0 5 0 0"}, "lines or areas beside its picture"),
        ({"after": "q 9 0 0 9 0 0 cm /Im0 Do Q"}, "shows 2 pictures on one page"),
        ({"matrix": "9 0 5 9 0 0"}, "sheared or turned"),
    ],
)
def test_what_is_not_one_picture_is_said(changed: dict, words: str, tmp_path: Path) -> None:
    with pytest.raises(NotOnePicture, match=words):
        read_header(document(tmp_path, replace(PAGE, **changed)), MOST)


def test_what_lies_under_a_picture_that_fills_the_page_is_nothing(tmp_path: Path) -> None:
    assert read_header(document(tmp_path, replace(PAGE, before="0 0 9 9 re f")), MOST).raster.shape == (12, 10, 3)


def strips(second_height: int, entries: str) -> PdfPage:
    """A page of the picture, and a second one of as many rows below it."""
    size = f"/Type /XObject /Subtype /Image /Width 10 /Height {second_height} {entries}"
    samples = 1 if "Gray" in entries else 3
    low = stream(size, bytes(second_height * 10 * samples))
    top, whole = second_height * 0.24, (second_height + 12) * 0.24
    program = f"q 2.4 0 0 2.88 0 {top:.2f} cm /Im0 Do Q q 2.4 0 0 {top:.2f} 0 0 cm /Im1 Do Q".encode()
    first = stream(f"/Type /XObject /Subtype /Image /Width 10 /Height 12 {PAGE.entries}", PAGE.data)
    names, objects = "/Im0 {first} /Im1 {low}", {"first": first, "low": low}
    return replace(PAGE, points=(2.4, whole), program=program, xobjects=names, objects=objects)


def test_strips_are_read_as_one_of_all_their_rows(tmp_path: Path) -> None:
    path = document(tmp_path, strips(6, RGB))
    header = read_header(path, MOST)
    assert header.raster.shape == (18, 10, 3) and header.raster.dpi == (300.0, 300.0)
    stored = open_stored(path, header, cache=PieceCache(0), scratch=None)
    assert np.array_equal(stored.read(Box(0, 0, 18, 10)), np.concatenate([PIXELS, np.zeros((6, 10, 3), np.uint8)]))
    stored.close()
    with pytest.raises(CanvasTooLarge):
        read_header(path, 179)
    with pytest.raises(NotOnePicture, match="2 pictures of different kinds"):
        read_header(document(tmp_path, strips(6, RGB.replace("RGB", "Gray"))), MOST)


def test_a_page_drawn_is_marked_and_has_its_true_size(tmp_path: Path) -> None:
    path = document(tmp_path, replace(PAGE, points=(72, 36), extra="/UserUnit 2"))
    header = read_header(Path(f"{path}@100"), MOST)
    assert header.layout == DrawnPage((100, 200))  # two inches across, one down
    assert header.raster.shape == (100, 200, 3) and header.raster.dpi == (100.0, 100.0)
    assert header.raster.lost == ("the page was drawn at 100 dpi",)
    assert header.notes == ("the page was drawn at 100 dpi: its pixels are not those of a scan",)
    stored = open_stored(Path(f"{path}@100"), header, cache=PieceCache(0), scratch=None)
    assert stored.read(Box(0, 0, 100, 200)).shape == (100, 200, 3)
    stored.close()
    with pytest.raises(CanvasTooLarge):
        read_header(Path(f"{path}@100"), 19_999)


def test_memory_of_decoding(tmp_path: Path) -> None:
    plain = PdfPicture(5, 4, 8, 3, Colors(3), ("FlateDecode",), 1, False, False, None)
    expected = {("FlateDecode",): 0, (): 120, ("LZWDecode",): 120, ("DCTDecode",): 180, ("JPXDecode",): 360,
                ("CCITTFaxDecode",): 300}  # fmt: skip
    header = read_header(document(tmp_path, PAGE), MOST)
    for packed, most in expected.items():
        layout = (plain, replace(plain, packed=packed))
        assert at_once(replace_layout(header, layout)) == most
    assert at_once(replace_layout(header, DrawnPage((7, 3)))) == 126


def replace_layout(header: Header, layout: object) -> Header:
    """The header with another layout."""
    return replace(header, layout=layout)
