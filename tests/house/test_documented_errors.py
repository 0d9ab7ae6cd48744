"""I check errors that docstrings promise and no other test asks for by name.

All of them: `python tests/fixtures/list_errors.py`.
"""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bad_tiffs import with_tags
from picture_files import scene
from png_bytes import png
from small_jobs import page
from tiff_bytes import Plan, tiff

from stitchbed.cli import stitchbed as command_line
from stitchbed.copies.artwork import Artwork
from stitchbed.copies.copies import LARGEST_SIDE, CopySettings, print_size
from stitchbed.copies.openraster import write_layers
from stitchbed.core import quantities as sizes
from stitchbed.core.errors import BadSettings, CannotWrite, CanvasTooLarge, UnreadableTile, WouldTouchOriginal
from stitchbed.inspection.dpi.crops import CropRow, write_crops
from stitchbed.jobs import batch
from stitchbed.jobs.batch import BatchSettings, executor_of
from stitchbed.output import room as foresight
from stitchbed.output.png import PngRows, PngSpec
from stitchbed.output.png_jpeg import write_flat
from stitchbed.output.tiff_master import MasterSpec, assemble, encode_block, write_master, write_row
from stitchbed.page.clean.pictures import album_of
from stitchbed.page.clean.repair_places import RepairSettings, places_of
from stitchbed.page.page import page_of_array
from stitchbed.page.sheet.frame import Framing
from stitchbed.photos.survey.photo import opened
from stitchbed.pipelines.contract.inputs import check_name, stored_as
from stitchbed.pipelines.proof import write_proof
from stitchbed.reading.base import spill
from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.formats import open_windows, read_header
from stitchbed.reading.metadata.tags import directories, source_of
from stitchbed.reading.stills.stills import open_png
from stitchbed.reading.tiff.page import page_of
from stitchbed.report.before_after import write_pair

PIXELS = np.full((40, 50, 3), 200, np.uint8)
ROW = CropRow((("a", PIXELS),))
SPEC = MasterSpec(40, 50, 3, "uint8", False, 300.0, None)


def _art() -> Artwork:
    return Artwork(page_of_array(PIXELS, 300.0), None, None)


def _rows(folder: Path) -> Path:
    folder.mkdir()
    write_row(folder, 0, [encode_block(PIXELS, SPEC)])
    return folder


WRITERS = {
    "write_pair": lambda path, originals, folder: write_pair(path, [PIXELS, PIXELS], originals=originals),
    "write_crops": lambda path, originals, folder: write_crops(path, [ROW], originals=originals),
    "write_layers": lambda path, originals, folder: write_layers(path, _art(), bits=8, originals=originals),
    "write_flat": lambda path, originals, folder: write_flat(
        path.with_suffix(".png"), SPEC, _rows(folder), memory=2**20, originals=originals
    ),
    "assemble": lambda path, originals, folder: assemble(path, SPEC, _rows(folder), originals=originals),
}


@pytest.mark.parametrize("name", WRITERS)
def test_writers_say_cannot_write_and_would_touch_original(name: str, tmp_path: Path) -> None:
    with pytest.raises(CannotWrite):
        WRITERS[name](tmp_path / "no" / "such.png", (), tmp_path / "rows")
    original = tmp_path / "scan.png"
    original.write_bytes(b"precious")
    with pytest.raises(WouldTouchOriginal):
        WRITERS[name](original, [original], tmp_path / "more")
    assert original.read_bytes() == b"precious"


def test_write_master_says_bad_settings_of_an_unknown_codec(tmp_path: Path) -> None:
    odd = MasterSpec(40, 50, 3, "uint8", False, 300.0, None, codec="rar")
    with pytest.raises(BadSettings, match="deflate, zstd or none"):
        write_master(tmp_path / "a.tif", odd, (encode_block(PIXELS, odd) for _ in range(1)))
    assert list(tmp_path.iterdir()) == []


def test_png_close_says_value_error_when_rows_are_missing() -> None:
    sheet = PngRows(io.BytesIO(), PngSpec(3, 50, 3, 8, 300.0))
    sheet.push(PIXELS[:2])
    with pytest.raises(ValueError, match="1 rows are missing"):
        sheet.close()


@pytest.mark.parametrize(
    "asked",
    [{"print_dpi": -300.0}, {"print_dpi": 1e9}, {"print_mm": (1e-6, 1e-6)}, {"print_mm": (LARGEST_SIDE * 9.0,) * 2}],
)
def test_print_size_says_bad_settings(asked: dict[str, Any]) -> None:
    with pytest.raises(BadSettings, match="a print of"):
        print_size(_art(), CopySettings(**asked))


def test_spilled_says_cannot_write_and_leaves_nothing_open(tmp_path: Path) -> None:
    before = len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").is_dir() else 0
    with pytest.raises(CannotWrite):
        spill.spilled(iter([PIXELS]), PIXELS.shape, "uint8", path=tmp_path / "a.png", scratch=tmp_path / "gone")
    path = tmp_path / "a.png"
    path.write_bytes(png(scene()))
    for look in (
        lambda: open_windows(path, scratch=tmp_path / "gone"),
        lambda: open_png(path, read_header(path), cache=PieceCache(1), scratch=tmp_path / "gone"),
    ):
        with pytest.raises(CannotWrite):
            look()
    assert not before or len(os.listdir("/proc/self/fd")) == before


def test_open_stored_says_unreadable_tile_of_damaged_rows(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(png(scene()))
    header = read_header(path)
    path.write_bytes(path.read_bytes()[:-300] + bytes(300))
    with pytest.raises(UnreadableTile, match=r"a\.png"):
        open_png(path, header, cache=PieceCache(1), scratch=tmp_path)


def test_directories_say_unreadable_tile() -> None:
    for data in (b"II*\0", b"no TIFF at all", b"II*\0\xff\xff\xff\x7f"):
        with pytest.raises(UnreadableTile):
            list(directories(source_of(Path("a.tif"), len(data), lambda at, count, data=data: data[at : at + count])))


def test_page_of_says_canvas_too_large_and_unreadable_tile() -> None:
    def first(data: bytes) -> Any:
        return next(iter(directories(source_of(Path("a.tif"), len(data), lambda at, count: data[at : at + count]))))

    assert page_of(first(tiff(scene(), Plan())), 10**6).height == scene().shape[0]
    with pytest.raises(CanvasTooLarge):
        page_of(first(tiff(scene(), Plan())), 100)
    with pytest.raises(UnreadableTile):
        page_of(first(with_tags({258: (3, [24] * 3)})), 10**6)


def test_executor_of_says_bad_settings_when_no_scheduler_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "CONNECT_SECONDS", 0.3)
    settings = BatchSettings(cluster="tcp://127.0.0.1:1")
    with pytest.raises(BadSettings, match=r"(?i)cluster|scheduler|dask"), executor_of(settings, 1):
        pass


def test_album_of_says_cannot_write(tmp_path: Path) -> None:
    with pytest.raises(CannotWrite), album_of(tmp_path / "no" / "clean.tif", tmp_path / "a.tif", wanted=True):
        pass


def test_photos_say_what_they_are_not(tmp_path: Path) -> None:
    huge = tmp_path / "huge.tif"
    huge.write_bytes(tiff(scene(1), Plan(extra={256: (4, [10**5]), 257: (4, [10**5])})))
    for path, error in ((tmp_path / "none.tif", UnreadableTile), (huge, CanvasTooLarge)):
        with pytest.raises(error), opened([path]):
            pass
    with pytest.raises(BadSettings, match=r"result\.png"):
        check_name(Path("result.png"))
    with pytest.raises(BadSettings, match="8 or 16"):
        stored_as(32)
    assert stored_as(8) == "uint8"


@pytest.mark.parametrize("words", ["", "fast", "0s@300", "38s@0", "38s", "@300", "38s@300@2"])
def test_timing_says_bad_settings(words: str) -> None:
    with pytest.raises(BadSettings, match="seconds at dpi"):
        sizes.timing(words)


@pytest.mark.parametrize("use", ["", "poster", "enlarge", "enlarge 0x", "enlarge twice", "web 2x"])
def test_enlargement_says_bad_settings(use: str) -> None:
    with pytest.raises(BadSettings, match="print-same-size"):
        sizes.enlargement(use)


def test_demand_room_says_cannot_write_and_canvas_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wide = MasterSpec(10, 70_000, 3, "uint8", False, 300.0, None)
    foresight.demand_room(wide, tmp_path / "a.tif", 2**30)
    with pytest.raises(CanvasTooLarge, match="at most 65500 px"):
        foresight.demand_room(wide, tmp_path / "a.jpg", 2**30)
    with pytest.raises(CanvasTooLarge, match="memory"):
        foresight.demand_room(wide, tmp_path / "a.png", 2**20)

    class Full:
        free = 10

    monkeypatch.setattr(foresight.shutil, "disk_usage", lambda path: Full)
    with pytest.raises(CannotWrite, match="GiB free"):
        foresight.demand_room(wide, tmp_path / "a.tif", 2**30)


def _whole() -> Framing:
    """The page as it is, nothing cut off."""
    return Framing(*PIXELS.shape[:2], np.eye(3), False, 0.0, 0)


@pytest.mark.parametrize("rect", [(60, 10, 5, 5), (0, 0, 0, 9), (5, 50, 5, 5)])
def test_places_of_say_bad_settings_off_the_page(rect: tuple[int, int, int, int]) -> None:
    with pytest.raises(BadSettings, match="place"):
        places_of(page_of_array(PIXELS, 300.0), _whole(), RepairSettings((rect,)))


def test_places_of_say_bad_settings_of_a_mask_of_another_size(tmp_path: Path) -> None:
    with pytest.raises(BadSettings):
        places_of(page_of_array(PIXELS, 300.0), _whole(), RepairSettings((), page(tmp_path / "mask.tif")))


def test_write_proof_says_unreadable_tile(tmp_path: Path) -> None:
    with pytest.raises(UnreadableTile):
        write_proof(tmp_path / "proof.html", {}, tmp_path / "gone.tif")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words",
    [
        ("--size", "large"),
        ("--size", "600"),
        ("--printed-mm", "about 160"),
        ("--margin", "wide"),
        ("--corners", "1,1", "2", "3,3", "4,4"),
    ],
)
def test_words_of_rectify_say_bad_settings(words: tuple[str, ...], tmp_path: Path) -> None:
    with pytest.raises(BadSettings):
        command_line.main(
            ["rectify", "a.tif", "-o", str(tmp_path / "o.tif"), "--dpi", "300", *words], standalone_mode=False
        )


@pytest.mark.parametrize(
    "corners",
    [("1,1", "2,x", "3,3", "4,4"), ("1,1", "5,5", "5,1", "1,5"), ("nan,1", "5,1", "5,5", "1,5")],
)
def test_words_of_color_say_bad_settings(corners: tuple[str, ...], tmp_path: Path) -> None:
    with pytest.raises(BadSettings):
        command_line.main(
            ["color", "a.tif", "-o", str(tmp_path / "o.tif"), "--corners", *corners], standalone_mode=False
        )
