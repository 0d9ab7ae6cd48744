"""I check what an open job says of its folder, and that what was kept of it is read back or looked for anew."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numpy as np
import tifffile

from stitchbed.desk.open_job import CHECKED, OpenJob


def _piece(path: Path, tone: int) -> None:
    tifffile.imwrite(path, np.full((8, 9), tone, np.uint8), resolution=(300, 300), resolutionunit=2)


def test_a_folder_without_a_job_file_has_the_text_a_new_one_begins_with(tmp_path: Path) -> None:
    _piece(tmp_path / "a.tif", 10)
    job = OpenJob(tmp_path / "job.toml")
    assert job.name() == tmp_path.name
    assert [one.path.name for one in job.pieces()] == ["a.tif"]
    assert not job.file.exists()


def test_a_piece_that_changes_has_another_mark_and_hash(tmp_path: Path) -> None:
    """Hashes are FIPS 180-4's, as hashlib makes them."""
    piece = tmp_path / "a.tif"
    _piece(piece, 10)
    job = OpenJob(tmp_path / "job.toml")
    mark = job.mark()
    assert job.digest(piece) == hashlib.sha256(piece.read_bytes()).hexdigest()
    _piece(piece, 20)
    os.utime(piece, (1, 1))
    assert job.mark() != mark
    assert job.digest(piece) == hashlib.sha256(piece.read_bytes()).hexdigest()


def test_what_a_check_found_is_kept_and_a_broken_file_counts_for_nothing(tmp_path: Path) -> None:
    _piece(tmp_path / "a.tif", 10)
    job = OpenJob(tmp_path / "job.toml")
    found = {"mark": job.mark(), "record": {"works": []}}
    job.keep(CHECKED, found)
    assert job.checked() == found == job.laid()
    (kept,) = tmp_path.rglob(CHECKED)
    kept.write_text("{", encoding="utf-8")
    assert job.checked() is None
