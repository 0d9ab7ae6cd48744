"""I check what is taken in from files and folders, in which order, under which names, and what is complained of."""

from __future__ import annotations

import hashlib
import itertools
import os
from pathlib import Path

import numpy as np
import pytest
from picture_files import rgb_profile, scene
from png_bytes import png
from tiff_bytes import Plan, tiff

from stitchbed.core.errors import CanvasTooLarge, MixedTiles, UnreadableTile
from stitchbed.reading.intake import gather, natural, same_profile, take_in, unchanged

ICC = {34675: (7, rgb_profile())}
OTHER_ICC = {34675: (7, rgb_profile()[:-1] + b"\x01")}


def piece(path: Path, number: int, **extra: object) -> Path:
    """A small TIFF that differs by its number."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(tiff(scene(height=9, width=9) ^ np.uint8(number), Plan(**extra)))
    return path


def names(folder: Path) -> list[str]:
    """Names of the tiles of a folder."""
    return [tile.name for tile in take_in([folder])[0]]


def test_a_folder_is_taken_in_natural_order(tmp_path: Path) -> None:
    for number in (10, 9, 1, 2, 100):
        piece(tmp_path / f"scan{number}.tif", number)
    assert names(tmp_path) == ["scan1.tif", "scan2.tif", "scan9.tif", "scan10.tif", "scan100.tif"]


def test_natural_order_mixes_words_and_numbers() -> None:
    words = ["b", "A1", "a02", "a10", "2", "a", "10", "a2b", ""]
    assert sorted(words, key=natural) == ["", "2", "10", "a", "A1", "a02", "a2b", "a10", "b"]


def test_the_order_given_does_not_matter(tmp_path: Path) -> None:
    paths = [piece(tmp_path / "a" / "1.tif", 1), piece(tmp_path / "b" / "1.tif", 2), piece(tmp_path / "2.tif", 3)]
    seen = {tuple((t.name, t.sha256) for t in take_in(list(some))[0]) for some in itertools.permutations(paths)}
    assert len(seen) == 1


def test_tiles_say_what_their_files_are(tmp_path: Path) -> None:
    path = piece(tmp_path / "one.tif", 1, dpi=600)
    (tile,), warnings = take_in([path])
    assert warnings == []
    assert (tile.name, tile.path) == ("one.tif", path)
    assert tile.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert tile.raster.dpi == (600.0, 600.0)
    assert tile.raster.shape == (9, 9, 3)


def test_equal_names_get_their_folders_in_front(tmp_path: Path) -> None:
    for folder, number in (("x/left", 1), ("y/left", 2), ("right", 3)):
        piece(tmp_path / folder / "scan.tif", number)
    tiles, _ = take_in([tmp_path / "x/left", tmp_path / "y/left", tmp_path / "right"])
    assert sorted(tile.name for tile in tiles) == ["right/scan.tif", "x/left/scan.tif", "y/left/scan.tif"]


def test_the_same_content_is_kept_once_and_both_are_named(tmp_path: Path) -> None:
    piece(tmp_path / "a.tif", 1)
    piece(tmp_path / "b.tif", 1)
    piece(tmp_path / "c.tif", 2)
    tiles, warnings = take_in([tmp_path])
    assert [tile.name for tile in tiles] == ["a.tif", "c.tif"]
    assert len(warnings) == 1
    assert "a.tif" in warnings[0]
    assert "b.tif" in warnings[0]


def test_a_path_given_twice_is_one_path(tmp_path: Path) -> None:
    path = piece(tmp_path / "a.tif", 1)
    tiles, warnings = take_in([path, tmp_path, path])
    assert len(tiles) == 1
    assert warnings == []


def test_others_in_a_folder_are_named_and_hidden_files_are_not(tmp_path: Path) -> None:
    piece(tmp_path / "a.tif", 1)
    piece(tmp_path / "without suffix", 2)
    (tmp_path / "order.pdf").write_text("two sheets, please")
    (tmp_path / ".hidden.tif").write_text("not looked at")
    (tmp_path / "inner.tif").mkdir()
    files, warnings = gather([tmp_path])
    assert [path.name for path in files] == ["a.tif", "without suffix"]
    assert len(warnings) == 1
    assert "order.pdf" in warnings[0]


def test_notes_records_and_job_files_beside_the_pieces_are_no_reason_to_complain(tmp_path: Path) -> None:
    piece(tmp_path / "a.tif", 1)
    for name in ("job.toml", "a.json", "notes.txt", "READ ME.MD"):
        (tmp_path / name).write_text("which side was up")
    assert gather([tmp_path]) == ([tmp_path / "a.tif"], [])


@pytest.mark.parametrize("name", ["notes.txt", "missing.tif"])
def test_named_files_that_are_no_pictures_are_refused(name: str, tmp_path: Path) -> None:
    good = piece(tmp_path / "a.tif", 1)
    (tmp_path / "notes.txt").write_text("which side was up")
    for call in (gather, take_in):
        with pytest.raises(UnreadableTile, match=name) as caught:
            call([good, tmp_path / name])
        assert caught.value.expected
        assert caught.value.attempt


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    for call in (gather, take_in):
        with pytest.raises(UnreadableTile, match="without a picture"):
            call([tmp_path])
    with pytest.raises(UnreadableTile, match="no picture to work on"):
        take_in([])


def test_one_bad_file_among_good_ones_is_named(tmp_path: Path) -> None:
    piece(tmp_path / "a.tif", 1)
    whole = piece(tmp_path / "torn.tif", 2)
    whole.write_bytes(whole.read_bytes()[:-200])
    with pytest.raises(UnreadableTile, match=r"torn\.tif"):
        take_in([tmp_path])
    tiles, warnings = take_in([tmp_path], allow_unreadable=True)
    assert [tile.name for tile in tiles] == ["a.tif"]
    assert len(warnings) == 1
    assert "torn.tif" in warnings[0]
    assert "left out" in warnings[0]


def test_nothing_left_is_an_error_even_when_much_is_allowed(tmp_path: Path) -> None:
    (tmp_path / "a.tif").write_bytes(b"II*\0")
    with pytest.raises(UnreadableTile, match="cut off"):
        take_in([tmp_path], allow_unreadable=True)


def test_the_ceiling_is_handed_on(tmp_path: Path) -> None:
    piece(tmp_path / "a.tif", 1)
    with pytest.raises(CanvasTooLarge, match=r"a\.tif"):
        take_in([tmp_path], max_pixels=80)
    assert len(take_in([tmp_path], max_pixels=81)[0]) == 1


def test_notes_of_readers_become_warnings(tmp_path: Path) -> None:
    piece(tmp_path / "a.tif", 1, extra={34675: (7, b"no profile")})
    (tile,), warnings = take_in([tmp_path])
    assert tile.raster.icc is None
    assert len(warnings) == 1
    assert "a.tif: its color profile is ignored" in warnings[0]


@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root may read everything")
def test_files_that_may_not_be_read_are_named(tmp_path: Path) -> None:
    path = piece(tmp_path / "a.tif", 1)
    path.chmod(0)
    with pytest.raises(UnreadableTile, match="permission denied"):
        take_in([path])


# --- profiles


def test_one_profile_in_all_is_the_profile(tmp_path: Path) -> None:
    for number in (1, 2):
        piece(tmp_path / f"{number}.tif", number, extra=ICC)
    assert same_profile(take_in([tmp_path])[0]) == rgb_profile()


def test_no_profile_in_any_is_none(tmp_path: Path) -> None:
    for number in (1, 2):
        piece(tmp_path / f"{number}.tif", number)
    assert same_profile(take_in([tmp_path])[0]) is None


@pytest.mark.parametrize("odd", [{}, OTHER_ICC])
def test_a_profile_that_differs_stops_the_job_and_is_named(odd: dict, tmp_path: Path) -> None:
    for number in (1, 2):
        piece(tmp_path / f"{number}.tif", number, extra=ICC)
    piece(tmp_path / "odd.tif", 3, extra=odd)
    tiles, _ = take_in([tmp_path])
    with pytest.raises(MixedTiles, match=r"odd\.tif") as caught:
        same_profile(tiles)
    assert "1.tif" not in caught.value.found
    assert "--assume-profile" in caught.value.attempt
    assert same_profile(tiles, assume="first") == rgb_profile()
    assert same_profile(tiles, assume="none") is None


def test_gray_and_color_do_not_share_a_profile(tmp_path: Path) -> None:
    piece(tmp_path / "1.tif", 1, extra=ICC)
    (tmp_path / "2.png").write_bytes(png(scene(1)))
    with pytest.raises(MixedTiles):
        same_profile(take_in([tmp_path])[0])


# --- are originals what they were?


def test_changes_since_intake_are_named(tmp_path: Path) -> None:
    for number in range(4):
        piece(tmp_path / f"{number}.tif", number)
    tiles, _ = take_in([tmp_path])
    assert unchanged(tiles) == []
    piece(tmp_path / "1.tif", 77)
    (tmp_path / "3.tif").unlink()
    assert unchanged(tiles) == ["1.tif", "3.tif"]
