"""I check that a shelf hands out the same pixels whatever it holds, and holds no more than it may."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import numpy as np
import pytest
from picture_files import HEIGHT, WIDTH, made_files, scene
from tiff_bytes import Plan, tiff

from stitchbed.imaging.box import Box, blocks
from stitchbed.reading import shelf as shelving
from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.formats import open_windows
from stitchbed.reading.intake import take_in
from stitchbed.reading.shelf import MOST_OPEN, Shelf

BIG, SMALL = 64 * 2**20, 20_000  # bytes; a decoded picture has 11,289, so that the small budget always overflows


@pytest.fixture
def tiles(tmp_path: Path) -> list[Tile]:
    """Tiles of several kinds, each with pixels of its own."""
    chosen = ("deflate-tiles-uint8-3.tif", "none-strips-uint16-3.tif", "3-uint8-plain.png", "color.jpg", "alpha.tif")
    for made in made_files():
        if made.name in chosen:
            made.write(tmp_path)
    return take_in([tmp_path])[0]


def many(folder: Path, count: int) -> list[Tile]:
    """Compressed TIFFs that differ from one another."""
    for number in range(count):
        (folder / f"{number}.tif").write_bytes(tiff(scene() ^ np.uint8(number), Plan(compression=8)))
    return take_in([folder])[0]


@pytest.mark.parametrize("budget", [BIG, SMALL, 0])
def test_windows_and_views_do_not_depend_on_the_budget(tiles: list[Tile], budget: int) -> None:
    with Shelf(tiles, budget) as shelf:
        for tile in tiles * 2:
            with open_windows(tile.path) as windows:
                for box in blocks(HEIGHT, WIDTH, 30):
                    assert np.array_equal(shelf.window(tile, box), windows.window(box))
                    alpha, want = shelf.alpha(tile, box), windows.alpha(box)
                    assert (alpha is None) == (want is None)
                    assert alpha is None or np.array_equal(alpha, want)
                assert np.array_equal(shelf.view(tile, 4), windows.view(4))


def test_what_is_held_stays_within_the_budget(tmp_path: Path) -> None:
    tiles = many(tmp_path, 8)
    with Shelf(tiles, SMALL) as shelf:
        for tile in tiles:
            shelf.window(tile, Box(0, 0, HEIGHT, WIDTH))
            for reduction in (2, 3, 4):
                shelf.view(tile, reduction)
            assert 0 < shelf.held_bytes <= SMALL


def test_a_view_is_made_once(tiles: list[Tile]) -> None:
    with Shelf(tiles, BIG) as shelf:
        first = shelf.view(tiles[0], 4)
        assert shelf.view(tiles[0], 4) is first
        with pytest.raises(ValueError, match="read-only"):
            first[0, 0] = 0


def test_few_files_are_open_at_once(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    tiles = many(folder, 40)
    before = len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").exists() else 0
    with Shelf(tiles, BIG) as shelf:
        for tile in tiles:
            shelf.window(tile, Box(0, 0, 4, 4))
        assert shelf.open_files == MOST_OPEN == 32
        if before:
            assert len(os.listdir("/proc/self/fd")) - before <= MOST_OPEN
        assert np.array_equal(shelf.window(tiles[0], Box(0, 0, 4, 4)), scene()[:4, :4])
    assert shelf.open_files == 0


def test_stills_are_decoded_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    next(made for made in made_files() if made.name == "color.jpg").write(tmp_path)
    tiles, _ = take_in([tmp_path])
    opened: list[Path] = []
    real = shelving.open_windows
    monkeypatch.setattr(shelving, "open_windows", lambda path, **more: opened.append(path) or real(path, **more))
    with Shelf(tiles, SMALL) as shelf:
        for box in blocks(HEIGHT, WIDTH, 16):
            shelf.window(tiles[0], box)
        shelf.view(tiles[0], 2)
    assert len(opened) == 1


@pytest.mark.parametrize("budget", [BIG, SMALL])
def test_many_threads_get_what_one_gets(tmp_path: Path, budget: int) -> None:
    tiles = many(tmp_path, 6)
    faults: list[object] = []

    def look(seed: int) -> None:
        rng = np.random.default_rng(seed)
        for _ in range(25):
            number = int(rng.integers(0, len(tiles)))
            box = Box(int(rng.integers(0, 40)), int(rng.integers(0, 60)), 10, 10)
            want = (scene() ^ np.uint8(number))[box.slices]
            if not np.array_equal(shelf.window(tiles[number], box), want):
                faults.append((seed, number, box))
            shelf.view(tiles[number], 5)

    with Shelf(tiles, budget) as shelf:
        threads = [threading.Thread(target=look, args=(seed,)) for seed in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert faults == []


def test_boxes_must_lie_inside(tiles: list[Tile]) -> None:
    with Shelf(tiles, BIG) as shelf, pytest.raises(ValueError, match="does not lie in"):
        shelf.window(tiles[0], Box(0, 0, HEIGHT + 1, 1))


def test_scratch_of_its_own_is_removed_and_another_left_empty(tiles: list[Tile], tmp_path: Path) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    with Shelf(tiles, BIG, scratch=scratch) as shelf:
        for tile in tiles:
            shelf.view(tile, 3)
    assert list(scratch.iterdir()) == []
    with Shelf(tiles, BIG) as shelf:
        shelf.view(tiles[0], 3)
        own = shelf.scratch
        assert own.is_dir()
    assert not own.exists()


def test_an_error_in_one_thread_does_not_hold_up_the_next() -> None:
    cache = PieceCache(1000)

    def fail() -> np.ndarray:
        raise RuntimeError("no such piece")

    for _ in range(2):
        with pytest.raises(RuntimeError, match="no such piece"):
            cache.get("a", fail)
    assert cache.get("a", lambda: np.ones(3)).sum() == 3


def test_a_cache_drops_what_was_used_longest_ago() -> None:
    cache = PieceCache(30)
    made: list[str] = []

    def make(key: str) -> np.ndarray:
        return cache.get(key, lambda: made.append(key) or np.zeros(10, np.uint8))

    for key in ("a", "b", "c", "a", "d", "a", "b"):
        make(key)
    assert made == ["a", "b", "c", "d", "b"]
    assert cache.held_bytes == 30
    cache.get("large", lambda: np.zeros(31, np.uint8))
    assert cache.held_bytes == 30
