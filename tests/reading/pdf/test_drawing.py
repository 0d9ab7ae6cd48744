"""I check pages drawn, and pictures of a page handed out unresampled, against what hand-written programs paint.

Reference: ISO 32000-1:2008, 7.7.3.3 (UserUnit, Rotate), 8.5 (paths; y up).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pdf_bytes import PdfPage, flate_page, pdf, stream

from stitchbed.core.errors import UnreadableTile
from stitchbed.reading.pdf.drawing import drawn, drawn_size, stored_bitmap

GRAY_3_BY_2 = "/Type /XObject /Subtype /Image /Width 3 /Height 2 /ColorSpace /DeviceGray /BitsPerComponent 8"
RED, WHITE = [255, 0, 0], [255, 255, 255]


def painted(folder: Path, program: str, *, points: tuple[int, int] = (72, 144), extra: str = "") -> Path:
    """A document whose second page is painted by a program; the first is empty."""
    pages = [PdfPage((1, 1), "", b"", points=points, program=text.encode(), extra=extra) for text in (" ", program)]
    (folder / "scan.pdf").write_bytes(pdf(pages))
    return folder / "scan.pdf:2"


@pytest.mark.parametrize(("dpi", "unit", "size"), [(150, 1.0, (300, 150)), (75, 2.0, (300, 150)), (1, 1.0, (2, 1))])
def test_a_page_drawn_has_the_px_of_its_points(dpi: int, unit: float, size: tuple[int, int], tmp_path: Path) -> None:
    assert drawn_size(painted(tmp_path, " "), dpi, unit) == size
    turned = painted(tmp_path, " ", extra="/Rotate 90")
    assert drawn_size(turned, dpi, unit) == size[::-1]


def test_a_page_never_vanishes(tmp_path: Path) -> None:
    assert drawn_size(painted(tmp_path, " ", points=(30, 20)), 1, 1.0) == (1, 1)


def test_a_page_is_drawn_right_way_up_in_its_colors_over_white(tmp_path: Path) -> None:
    page = painted(tmp_path, "1 0 0 rg 0 72 36 72 re f 0 0 1 rg 36 0 36 72 re f")
    out = drawn(page, (144, 72))
    assert out.shape == (144, 72, 3) and out.dtype == np.uint8 and out.flags.c_contiguous
    corners = {
        (0, 0): RED,
        (0, 71): WHITE,
        (143, 0): WHITE,
        (143, 71): [0, 0, 255],
        (70, 34): RED,
        (73, 37): [0, 0, 255],
    }
    assert all(out[place].tolist() == color for place, color in corners.items())
    assert np.all(drawn(tmp_path / "scan.pdf", (9, 7)) == 255)  # the first page
    narrow = drawn(page, (144, 71))  # rows that the library fills up to 4 bytes
    assert narrow.shape == (144, 71, 3) and narrow[0, 0].tolist() == RED and narrow[143, 70].tolist() == [0, 0, 255]


def test_notes_are_drawn_too(tmp_path: Path) -> None:
    note = "/Annots [<< /Type /Annot /Subtype /Stamp /Rect [0 0 72 144] /F 4 /AP << /N {look} >> >>]"
    look = stream("/Type /XObject /Subtype /Form /BBox [0 0 72 144]", b"1 0 0 rg 0 0 72 144 re f")
    page = PdfPage((1, 1), "", b"", points=(72, 144), program=b" ", extra=note, objects={"look": look})
    (tmp_path / "scan.pdf").write_bytes(pdf([page]))
    assert np.all(drawn(tmp_path / "scan.pdf", (10, 5)) == RED)


def test_pictures_are_counted_in_the_order_they_are_painted(tmp_path: Path) -> None:
    first = (np.arange(6, dtype=np.uint8) * 40).reshape(2, 3, 1)
    entries = "/Type /XObject /Subtype /Image /Width 1 /Height 1 /ColorSpace /DeviceRGB /BitsPerComponent 8"
    both = flate_page(
        first,
        program=b"q 9 0 0 9 0 0 cm /B Do Q q 50 0 0 50 0 0 cm /A Do Q",
        objects={"a": stream(GRAY_3_BY_2, first.tobytes()), "b": stream(entries, b"\x05\x06\x07")},
        xobjects="/A {a} /B {b}",
    )
    (tmp_path / "scan.pdf").write_bytes(pdf([both]))
    assert stored_bitmap(tmp_path / "scan.pdf", 0)[0, 0, ::-1].tolist() == [5, 6, 7]  # the library's order is BGR
    assert np.array_equal(stored_bitmap(tmp_path / "scan.pdf", 1)[..., :1], first)
    with pytest.raises(UnreadableTile, match="cannot be decoded"):
        stored_bitmap(tmp_path / "scan.pdf", 2)
