"""I check that windows of TIFF files decode little, from any thread, and that views come from where they may."""

from __future__ import annotations

import os
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from peak_memory import run_measured
from picture_files import HEIGHT, WIDTH, scene
from tiff_bytes import Plan, directory, tiff

from stitchbed.core.errors import UnreadableTile
from stitchbed.imaging.box import Box, blocks
from stitchbed.output.tiff_master import MasterSpec, write_picture
from stitchbed.reading.formats import open_windows
from stitchbed.reading.tiff import decode as tiff_pieces
from stitchbed.reading.tiff import reader
from stitchbed.reading.views import overview

WHOLE = Box(0, 0, HEIGHT, WIDTH)


def save(folder: Path, data: bytes, name: str = "a.tif") -> Path:
    """Write bytes into a folder."""
    path = folder / name
    path.write_bytes(data)
    return path


def test_blocks_in_file_order_decode_each_piece_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = save(tmp_path, tiff(scene(), Plan(compression=8, piece=(16, 16))))
    decoded: list[int] = []
    real = tiff_pieces.decode_piece
    monkeypatch.setattr(reader, "decode_piece", lambda page, data, rows: decoded.append(1) or real(page, data, rows))
    with open_windows(path) as windows:
        windows.window(Box(16, 16, 16, 16))
        assert len(decoded) == 1
        windows.window(Box(15, 15, 2, 2))
        assert len(decoded) == 4
        for box in blocks(HEIGHT, WIDTH, 24):
            windows.window(box)
        windows.view(4)
    assert len(decoded) == 4 * 5  # 53 x 71 px in tiles of 16


def test_a_window_of_a_plain_file_reads_its_own_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pixels = scene(height=200, width=300)
    path = save(tmp_path, tiff(pixels, Plan(piece=16)))
    read: list[int] = []
    real = reader.fetcher

    def counting(path: Path, file: object) -> object:
        fetch = real(path, file)
        return lambda offset, rows, row_bytes, stride: (
            read.append(rows * row_bytes) or fetch(offset, rows, row_bytes, stride)
        )

    monkeypatch.setattr(reader, "fetcher", counting)
    with open_windows(path) as windows:
        part = windows.window(Box(50, 60, 40, 30))
    assert np.array_equal(part, pixels[50:90, 60:90])
    assert sum(read) == 40 * 30 * 3


def test_large_compressed_strips_are_decoded_once_into_scratch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "SPILL_ABOVE", 1000)
    for plan in (Plan(compression=8, piece=HEIGHT), Plan(compression=5, piece=16, planar=2)):
        path = save(tmp_path, tiff(scene(), plan))
        scratch = tmp_path / "scratch"
        scratch.mkdir(exist_ok=True)
        with open_windows(path, scratch=scratch) as windows:
            assert not windows.raster.windowed
            assert np.array_equal(windows.window(WHOLE), scene())
            assert np.array_equal(windows.window(Box(5, 60, 40, 9)), scene()[5:45, 60:69])
        assert list(scratch.iterdir()) == []


@pytest.mark.parametrize("plan", [Plan(), Plan(compression=8, piece=7), Plan(compression=5, piece=(16, 16))])
def test_many_threads_see_the_same_pixels(plan: Plan, tmp_path: Path) -> None:
    path = save(tmp_path, tiff(scene(), plan))
    wrong: list[Box] = []

    def look(seed: int) -> None:
        rng = np.random.default_rng(seed)
        for _ in range(40):
            row, col = int(rng.integers(0, HEIGHT - 9)), int(rng.integers(0, WIDTH - 9))
            box = Box(row, col, 9, 9)
            if not np.array_equal(windows.window(box), scene()[box.slices]):
                wrong.append(box)

    with open_windows(path) as windows:
        threads = [threading.Thread(target=look, args=(seed,)) for seed in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert wrong == []


@pytest.mark.parametrize("size", [(1024, 2048), (1025, 1999)])
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_views_of_masters_come_from_their_reduced_views(
    size: tuple[int, int], dtype: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "master.tif"
    noise = np.random.default_rng(2).integers(0, np.iinfo(dtype).max, (*size, 3), dtype=dtype)
    write_picture(path, MasterSpec(*size, 3, dtype, False, 600, None), noise)
    with open_windows(path) as windows:
        decoded: list[int] = []
        real = tiff_pieces.decode_piece
        monkeypatch.setattr(
            reader, "decode_piece", lambda page, data, rows: decoded.append(1) or real(page, data, rows)
        )
        quick = windows.view(4).astype(int)
        assert 0 < len(decoded) < 24  # of 32 or 40 segments at full size
        monkeypatch.setattr(overview, "MOST_HALVINGS", {"uint8": 0, "uint16": 0})
        slow = windows.view(4).astype(int)
    # each of two halvings rounds by at most half a code (and a half up), the mean of noise shows the bias alone
    assert abs(quick - slow).max() <= 1
    assert abs((quick - slow).mean()) <= 0.3


@pytest.mark.parametrize(
    "plan", [Plan(), Plan(compression=8, piece=9), Plan(compression=5, piece=(16, 16)), Plan(alpha=2)]
)
@pytest.mark.parametrize("turn", [1, 3, 6])
@pytest.mark.parametrize("reduction", [2, 5, 40])
def test_views_do_not_depend_on_how_they_are_cut(
    plan: Plan, turn: int, reduction: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pixels = scene(4 if plan.alpha else 3)
    path = save(tmp_path, tiff(pixels, replace(plan, extra={274: (3, [turn])})))
    with open_windows(path) as windows:
        want = windows.view(reduction).astype(int)
        for size in (100, 1500, 5000):  # bytes; a row has 213 or 284, a tile 768
            monkeypatch.setattr(overview, "BLOCK_BYTES", size)
            # cells taller than a block are summed in another way, which may round the other way
            row = 284 * (overview.WEIGHED if plan.alpha else 1)
            assert abs(windows.view(reduction) - want).max() <= (1 if row * reduction > size else 0)


VIEWED = """
import sys
from pathlib import Path
from stitchbed.reading.formats import open_windows
with open_windows(Path(sys.argv[1])) as windows:
    print(windows.view(int(sys.argv[2])).shape)
"""


@pytest.mark.parametrize("reduction", [8, 3000])
def test_a_view_of_a_large_file_needs_little_memory(reduction: int, tmp_path: Path) -> None:
    side = 12_000  # px; 412 MiB in RGB and 8 bits, in a file with a hole
    place = 8
    tags = {256: (4, [side]), 257: (4, [side]), 258: (3, [8, 8, 8]), 262: (3, [2]), 277: (3, [3]), 278: (4, [side])}
    head = directory(tags | {273: (4, [4096]), 279: (4, [3 * side * side])}, place)
    path = save(tmp_path, b"II*\0" + place.to_bytes(4, "little") + head)
    os.truncate(path, 4096 + 3 * side * side)
    words, peak = run_measured(VIEWED, path, reduction)
    assert words[0] == f"({-(-side // reduction)},"
    # the program takes 116 MiB; two blocks of 16 MiB are held with what is made of them (sums are eight times as large
    # as a row), and the view itself, 6 MiB
    assert peak < 116 + 5 * 16 + 10


def test_reduced_views_of_other_writers_are_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as writer:
        writer.write(scene(height=64, width=64), photometric="rgb", tile=(16, 16), subifds=1, software="another")
        writer.write(np.zeros((32, 32, 3), np.uint8), photometric="rgb", tile=(16, 16), subfiletype=1)
    with open_windows(path) as windows:
        want = scene(height=64, width=64).reshape(32, 2, 32, 2, 3).mean(axis=(1, 3))
        assert abs(windows.view(2) - want).max() <= 0.5


def test_a_damaged_piece_is_named_when_it_is_needed(tmp_path: Path) -> None:
    data = bytearray(tiff(scene(), Plan(compression=8, piece=16)))
    data[8 + 4 : 8 + 12] = b"\xff" * 8  # inside the first strip
    path = save(tmp_path, bytes(data), "torn.tif")
    with open_windows(path) as windows:
        assert np.array_equal(windows.window(Box(20, 0, 20, WIDTH)), scene()[20:40])
        with pytest.raises(UnreadableTile, match=r"torn\.tif is damaged: decoding piece 1 of it failed"):
            windows.window(Box(0, 0, 1, 1))
        with pytest.raises(UnreadableTile, match="piece 1"):
            windows.view(3)
