"""I check that rows of blocks are kept whole or not at all, and come back in file order."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from stitchbed.output.tiff_master import (
    BLOCK,
    MasterSpec,
    assemble,
    encode_block,
    read_segments,
    read_small,
    row_count,
    row_path,
    write_picture,
    write_row,
)

SPEC = MasterSpec(1500, 2100, 3, "uint8", False, 300, None)


def _picture() -> np.ndarray:
    return np.random.default_rng(1).integers(0, 255, (1500, 2100, 3), dtype=np.uint8)


def _line(picture: np.ndarray, row: int) -> list:
    part = picture[row * BLOCK : (row + 1) * BLOCK]
    return [encode_block(part[:, col : col + BLOCK], SPEC) for col in range(0, 2100, BLOCK)]


def test_segments_come_back_in_file_order(tmp_path: Path) -> None:
    line = _line(_picture(), 1)
    write_row(tmp_path, 1, line)
    for level in range(3):
        expected = [
            segment
            for row in range(len(line[0].segments[level]))
            for block in line
            for segment in block.segments[level][row]
        ]
        assert list(read_segments(tmp_path, 1, level)) == expected
    small = np.concatenate([block.small for block in line], axis=1)
    assert np.array_equal(read_small(tmp_path, 1), small) and read_small(tmp_path, 1).dtype == np.uint8


def test_a_row_is_there_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    line = _line(_picture(), 0)

    def full(*names: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="No space"):
        write_row(tmp_path, 0, line)
    assert not row_path(tmp_path, 0).exists()
    monkeypatch.undo()
    write_row(tmp_path, 0, line)
    assert row_path(tmp_path, 0).exists()
    assert [path.name for path in tmp_path.iterdir()] == [row_path(tmp_path, 0).name]


def test_a_master_from_rows_is_the_master_in_one_go(tmp_path: Path) -> None:
    picture = _picture()
    write_picture(tmp_path / "whole.tif", SPEC, picture)
    folder = tmp_path / "rows"
    folder.mkdir()
    for row in reversed(range(row_count(SPEC))):  # order of arrival does not matter
        write_row(folder, row, _line(picture, row))
    assemble(tmp_path / "rows.tif", SPEC, folder)
    assert (tmp_path / "rows.tif").read_bytes() == (tmp_path / "whole.tif").read_bytes()
