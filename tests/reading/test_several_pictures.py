"""I check files that hold several pictures: what counts as one, how each is named, hashed, found and kept apart.

Reference: TIFF 6.0 (1992), section 2 (several directories) and tags 254, 255; written by tifffile.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from picture_files import made_files, scene

from stitchbed.core.addresses import Address, address_of, file_of
from stitchbed.core.errors import UnreadableTile, WouldTouchOriginal
from stitchbed.core.files import refuse_touching, sha256_of
from stitchbed.imaging.box import Box
from stitchbed.jobs.job_file import files_in, files_of
from stitchbed.reading.formats import open_windows, pictures_in, read_raster
from stitchbed.reading.intake import take_in, unchanged

PAGES = [scene(height=40 + page, width=50) ^ np.uint8(page) for page in range(3)]


def several(path: Path, pages: list[np.ndarray] = PAGES, **first: object) -> Path:
    """A TIFF of several pages at 300 dpi."""
    with tifffile.TiffWriter(path) as file:
        for number, page in enumerate(pages):
            file.write(page, resolution=(300, 300), photometric="rgb", metadata=None, **({} if number else first))
    return path


def whole(path: Path) -> np.ndarray:
    """All pixels of the picture a path names."""
    with open_windows(path) as windows:
        rows, cols, _ = windows.raster.shape
        return windows.window(Box(0, 0, rows, cols))


def test_each_page_is_a_tile_with_its_number_behind_the_name(tmp_path: Path) -> None:
    path = several(tmp_path / "scan.tif")
    tiles, warnings = take_in([path])
    assert warnings == []
    assert [tile.name for tile in tiles] == ["scan.tif:1", "scan.tif:2", "scan.tif:3"]
    for page, tile in zip(PAGES, tiles, strict=True):
        assert tile.raster.dpi == (300.0, 300.0)
        assert np.array_equal(whole(tile.path), page)


def test_a_picture_s_hash_is_of_the_file_and_its_number(tmp_path: Path) -> None:
    path = several(tmp_path / "scan.tif")
    want = hashlib.sha256(path.read_bytes() + b":2").hexdigest()  # cat scan.tif; printf :2
    tiles, _ = take_in([path])
    assert tiles[1].sha256 == want == sha256_of(tmp_path / "scan.tif:2")
    assert len({tile.sha256 for tile in tiles}) == 3
    assert unchanged(tiles) == []
    path.write_bytes(path.read_bytes() + b"!")
    assert unchanged(tiles) == ["scan.tif:1", "scan.tif:2", "scan.tif:3"]
    path.unlink()
    assert unchanged(tiles) == ["scan.tif:1", "scan.tif:2", "scan.tif:3"]


def test_one_picture_is_taken_once_however_it_is_named(tmp_path: Path) -> None:
    path = several(tmp_path / "scan.tif")
    tiles, warnings = take_in([tmp_path / "scan.tif:2", path])
    assert [tile.name for tile in tiles] == ["scan.tif:1", "scan.tif:2", "scan.tif:3"]
    assert warnings == []


def test_a_file_of_several_is_no_single_picture(tmp_path: Path) -> None:
    path = several(tmp_path / "scan.tif")
    with pytest.raises(UnreadableTile, match="holds 3 pictures where one is wanted") as caught:
        open_windows(path)
    assert "scan.tif:1" in caught.value.attempt
    assert "scan.tif:3" in caught.value.attempt


@pytest.mark.parametrize("name", ["scan.tif:4", "scan.tif:0", "scan.tif:x", "scan.tif:", "none.tif:1", "scan.tif:1:1"])
def test_numbers_that_lead_nowhere_are_refused(name: str, tmp_path: Path) -> None:
    several(tmp_path / "scan.tif")
    with pytest.raises(UnreadableTile) as caught:
        read_raster(tmp_path / name)
    assert name in caught.value.found


def test_reduced_views_masks_and_small_copies_are_no_pages(tmp_path: Path) -> None:
    page = PAGES[0]
    with tifffile.TiffWriter(tmp_path / "scan.tif") as file:
        file.write(page[::2, ::2], photometric="rgb", subfiletype=1, metadata=None)
        file.write(page, photometric="rgb", metadata=None)
        file.write(page[..., 0] > 99, photometric=4, subfiletype=4, metadata=None)
        file.write(np.ascontiguousarray(page[::2, ::2]), photometric="rgb", metadata=None)  # not marked
    tiles, warnings = take_in([tmp_path / "scan.tif"])
    assert [tile.name for tile in tiles] == ["scan.tif"]
    assert warnings == [
        f"{tmp_path / 'scan.tif'}: a picture of 25 x 20 px in it, a small copy by its shape, was passed over"
    ]
    assert np.array_equal(whole(tmp_path / "scan.tif"), page)


def test_a_single_picture_may_be_numbered(tmp_path: Path) -> None:
    for made in made_files()[::9]:
        path = made.write(tmp_path)
        assert np.array_equal(whole(path.with_name(f"{path.name}:1")), whole(path))
        with pytest.raises(UnreadableTile, match="holds one picture"):
            read_raster(path.with_name(f"{path.name}:2"))


def test_a_real_file_of_that_name_is_that_file(tmp_path: Path) -> None:
    odd = several(tmp_path / "odd:2", PAGES[:1])
    assert address_of(odd) == Address(odd)
    assert [tile.name for tile in take_in([odd])[0]] == ["odd:2"]
    both = several(tmp_path / "odd")
    with pytest.raises(UnreadableTile, match="a file beside it is called odd:2"):
        pictures_in(both)
    assert address_of(tmp_path / "odd:3") == Address(both, 3)
    several(tmp_path / "more:1")
    assert [tile.name for tile in take_in([tmp_path / "more:1"])[0]] == ["more:1:1", "more:1:2", "more:1:3"]


def test_a_file_is_an_original_by_the_name_of_any_picture_in_it(tmp_path: Path) -> None:
    path = several(tmp_path / "scan.tif")
    assert file_of(tmp_path / "scan.tif:3") == path
    with pytest.raises(WouldTouchOriginal):
        refuse_touching(path, [tmp_path / "scan.tif:3"])


def test_jobs_take_pictures_by_their_number(tmp_path: Path) -> None:
    several(tmp_path / "scan.tif")
    assert files_of([tmp_path / "scan.tif:2"]) == [tmp_path / "scan.tif:2"]
    assert files_in({"reference": "scan.tif:3"}, tmp_path) == [tmp_path / "scan.tif:3"]


def test_a_broken_chain_keeps_what_stands_before_it_and_says_so(tmp_path: Path) -> None:
    path = several(tmp_path / "scan.tif")
    with tifffile.TiffFile(path) as file:
        last = file.pages[2].offset
    path.write_bytes(path.read_bytes()[:last] + b"\xff" * 40)
    tiles, warnings = take_in([path])
    assert [tile.name for tile in tiles] == ["scan.tif:1", "scan.tif:2"]
    assert any("damaged behind number 2" in warning for warning in warnings)
