"""I check which names of a folder may be pieces."""

from __future__ import annotations

from pathlib import Path

import pytest

from stitchbed.reading.base.folder import SIDE_FILES, may_be_piece


@pytest.mark.parametrize("name", ["a.tif", "scan 1.PNG", "no ending", "a.txt.jpg", "toml", "Straße.webp", "notes.xyz"])
def test_names_that_may_be_pieces_whether_they_are_there_or_not(name: str, tmp_path: Path) -> None:
    assert may_be_piece(tmp_path / name)
    (tmp_path / name).write_bytes(b"no picture at all")
    assert may_be_piece(tmp_path / name)


@pytest.mark.parametrize(
    "name", [".hidden.tif", ".a.job", *(f"notes{end}" for end in sorted(SIDE_FILES)), "RECORD.JSON"]
)
def test_names_that_may_not(name: str, tmp_path: Path) -> None:
    assert not may_be_piece(tmp_path / name)


def test_a_folder_is_no_piece_though_its_name_is_a_picture_s(tmp_path: Path) -> None:
    (tmp_path / "scans.tif").mkdir()
    assert not may_be_piece(tmp_path / "scans.tif")
