"""I check pages of PDF documents: what is taken as stored, how it lies, what is refused, what is drawn when asked.

Reference: ISO 32000-2:2020, 8.3.3, 8.9.5 (pictures fill the unit square), 7.7.3.3 (Rotate, UserUnit).
"""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bad_pdfs import bad_pdfs
from pdf_bytes import PdfPage, flate_page, jbig2, pdf, stream
from picture_files import HEIGHT, WIDTH, rgb_profile, scene
from PIL import Image

from stitchbed.core.errors import UnreadableTile
from stitchbed.imaging.box import Box
from stitchbed.reading.base.faults import NotOnePicture
from stitchbed.reading.formats import as_asked, open_windows, read_header
from stitchbed.reading.intake import take_in

W, H = WIDTH * 0.24, HEIGHT * 0.24  # points, at 300 dpi
PLACED = {  # matrix, /Rotate -> what is seen, by numpy
    "plain": (f"{W} 0 0 {H} 0 0", 0, lambda a: a),
    "half turn": (f"{-W} 0 0 {-H} {W} {H}", 0, lambda a: a[::-1, ::-1]),
    "upside down": (f"{W} 0 0 {-H} 0 {H}", 0, lambda a: a[::-1]),
    "mirrored": (f"{-W} 0 0 {H} {W} 0", 0, lambda a: a[:, ::-1]),
    "quarter turn counterclockwise": (f"0 {W} {-H} 0 {H} 0", 0, lambda a: np.rot90(a)),
    "quarter turn clockwise": (f"0 {-W} {H} 0 0 {W}", 0, lambda a: np.rot90(a, -1)),
    "page turned clockwise": (f"{W} 0 0 {H} 0 0", 90, lambda a: np.rot90(a, -1)),
    "page and picture turned": (f"0 {W} {-H} 0 {H} 0", 270, lambda a: np.rot90(a, 2)),
}


def whole(path: Path) -> np.ndarray:
    """All pixels of the picture a path names."""
    with open_windows(path) as windows:
        rows, cols, _ = windows.raster.shape
        return windows.window(Box(0, 0, rows, cols))


@pytest.mark.parametrize("way", PLACED)
def test_a_picture_is_seen_as_the_page_shows_it(way: str, tmp_path: Path) -> None:
    matrix, rotate, seen = PLACED[way]
    path = tmp_path / "scan.pdf"
    points = (H, W) if " 0 " not in matrix[:6] and matrix.startswith("0") else (W, H)
    path.write_bytes(pdf([flate_page(scene(), matrix=matrix, points=points, extra=f"/Rotate {rotate}")]))
    assert np.array_equal(whole(path), seen(scene()))
    assert read_header(path).raster.dpi == (300.0, 300.0)
    drawn = whole(Path(f"{path}@300")).astype(int)  # the library that draws pages sees it the same way up
    assert abs(drawn - seen(scene())).mean() < 12


@pytest.mark.parametrize(
    ("points", "extra", "dpi"),
    [
        ((595, 842), "", (300.0, 300.0)),  # A4 rounded to points
        ((595.28, 841.89), "", (300.0, 300.0)),
        ((297.64, 420.94), "/UserUnit 2", (300.0, 300.0)),
        ((595.28, 420.94), "", (300.0, 600.0)),
        ((602.4, 850.7), "", (296.4143, 296.9037)),  # no rounding explains it: as it stands
    ],
)
def test_dpi_is_what_the_page_implies(points: tuple[float, float], extra: str, dpi: tuple, tmp_path: Path) -> None:
    page = PdfPage((3508, 2480), "/ColorSpace /DeviceGray /BitsPerComponent 1", bytes(310 * 3508), points, extra=extra)
    (tmp_path / "a4.pdf").write_bytes(pdf([page]))
    assert read_header(tmp_path / "a4.pdf").raster.dpi == dpi


def test_pages_written_by_another_library(tmp_path: Path) -> None:
    """Pillow writes JPEG for color, CCITT for one bit; profiles are passed by hand."""
    bits = Image.fromarray(scene(1)[..., 0] > 128)
    color = Image.fromarray(scene())
    path = tmp_path / "made.pdf"
    color.save(path, "PDF", resolution=600, save_all=True, append_images=[bits])
    first, second = take_in([path])[0]
    assert (first.name, second.name) == ("made.pdf:1", "made.pdf:2")
    assert first.raster.dpi == second.raster.dpi == (600.0, 600.0)
    jpeg = io.BytesIO()
    color.save(jpeg, "JPEG")
    assert abs(whole(first.path).astype(int) - np.asarray(Image.open(jpeg))).max() <= 1
    assert np.array_equal(whole(second.path)[..., 0], np.asarray(bits) * np.uint8(255))


def test_pages_are_named_and_kept_apart(tmp_path: Path) -> None:
    path = tmp_path / "scan.pdf"
    pages = [scene() ^ np.uint8(number) for number in range(11)]
    path.write_bytes(pdf([flate_page(page) for page in pages]))
    tiles, warnings = take_in([tmp_path])
    assert [tile.name for tile in tiles] == [f"scan.pdf:{number}" for number in range(1, 12)]
    assert warnings == []
    assert all(np.array_equal(whole(tile.path), page) for tile, page in zip(tiles, pages, strict=True))
    with pytest.raises(UnreadableTile, match="holds 11 pictures"):
        open_windows(path)


def test_a_page_with_more_on_it_is_drawn_when_asked(tmp_path: Path) -> None:
    path = tmp_path / "scan.pdf"
    path.write_bytes(pdf([flate_page(scene()), replace(flate_page(scene()), after="0 0 m 17 12 l S")]))
    page = tmp_path / "scan.pdf:2"
    with pytest.raises(NotOnePicture, match="lines or areas over its picture") as caught:
        read_header(page)
    assert "scan.pdf:2@600" in caught.value.attempt
    assert as_asked(page, None) == page
    assert as_asked(tmp_path / "scan.pdf:1", 600) == tmp_path / "scan.pdf:1"  # as stored where that can be
    tiles, warnings = take_in([path], dpi=300)
    assert [tile.name for tile in tiles] == ["scan.pdf:1", "scan.pdf:2@300"]
    assert any("scan.pdf:2@300: the page was drawn at 300 dpi" in warning for warning in warnings)
    plain, lined = (whole(tile.path).astype(int) for tile in tiles)
    away = abs(plain - lined).max(axis=2) > 40
    assert 20 < away.sum() < 600  # the line, and little else
    assert tiles[1].raster.dpi == (300.0, 300.0)
    assert tiles[0].sha256 != tiles[1].sha256


def test_only_pages_are_drawn(tmp_path: Path) -> None:
    Image.fromarray(scene()).save(tmp_path / "scan.png")
    with pytest.raises(UnreadableTile, match="only pages of a PDF"):
        read_header(tmp_path / "scan.png@300")


def test_a_document_of_writing_alone_is_passed_over_in_a_folder(tmp_path: Path) -> None:
    Image.fromarray(scene()).save(tmp_path / "scan.png", icc_profile=rgb_profile())
    letter = next(bad for bad in bad_pdfs() if bad.name == "no-picture.pdf")
    (tmp_path / "letter.pdf").write_bytes(letter.data)
    tiles, warnings = take_in([tmp_path])
    assert [tile.name for tile in tiles] == ["scan.png"]
    assert len(warnings) == 1 and "letter.pdf was passed over" in warnings[0]
    with pytest.raises(NotOnePicture, match="no picture"):
        take_in([tmp_path / "letter.pdf"])


def in_strips(names: str, tops: list[int], entries: str, parts: list[bytes]) -> PdfPage:
    """A page of strips that lie edge to edge; names : order in which they are painted."""
    ends = [*tops[1:], HEIGHT]
    program = ""
    for name in names:
        top, end = tops[int(name)], ends[int(name)]
        program += f"q {W:.3f} 0 0 {(end - top) * 0.24:.3f} 0 {(HEIGHT - end) * 0.24:.3f} cm /Im{name} Do Q "
    kept = "/Type /XObject /Subtype /Image"
    others = {
        f"s{place}": stream(f"{kept} /Width {WIDTH} /Height {ends[place] - tops[place]} {entries}", parts[place])
        for place in range(len(tops))
    }
    resources = "".join(f"/Im{place} {{s{place}}} " for place in range(len(tops)))
    page = flate_page(scene(), program=program.encode(), resources="", objects=others)
    return replace(page, xobjects=resources)


@pytest.mark.parametrize("names", ["012", "201"])
def test_strips_of_a_page_are_one_picture(names: str, tmp_path: Path) -> None:
    """In color by Flate, and in black and white by fax coding, whatever the order they are painted in."""
    tops = [0, 20, 41]
    bits = (scene(1)[..., 0] > 128).astype(np.uint8)
    cuts = np.split(scene(), tops[1:])
    color = in_strips(names, tops, "/ColorSpace /DeviceRGB /BitsPerComponent 8", [cut.tobytes() for cut in cuts])
    fax = "/ColorSpace /DeviceGray /BitsPerComponent 1 /Filter /JBIG2Decode"
    black = in_strips(names, tops, fax, [jbig2(1 - cut) for cut in np.split(bits, tops[1:])])
    (tmp_path / "scan.pdf").write_bytes(pdf([color, black]))
    assert np.array_equal(whole(tmp_path / "scan.pdf:1"), scene())
    assert np.array_equal(whole(tmp_path / "scan.pdf:2")[..., 0], bits * 255)
    assert read_header(tmp_path / "scan.pdf:1").raster.dpi == (300.0, 300.0)


def test_strips_with_a_gap_or_of_other_kinds_are_no_picture(tmp_path: Path) -> None:
    cuts = [cut.tobytes() for cut in np.split(scene(), [20, 41])]
    page = in_strips("012", [0, 20, 41], "/ColorSpace /DeviceRGB /BitsPerComponent 8", cuts)
    gap = page.program.replace(b"0 0.000 cm", b"0 -0.500 cm")
    (tmp_path / "scan.pdf").write_bytes(pdf([replace(page, program=gap)]))
    with pytest.raises(NotOnePicture, match="3 pictures on one page"):
        read_header(tmp_path / "scan.pdf")
