"""I check tiles handed out by ids: of the file as it is now, and of nothing that was not offered."""

from __future__ import annotations

import io
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from stitchbed.core.errors import StitchbedError
from stitchbed.desk.look import tiles
from stitchbed.desk.look.tiles import Pictures


def saved(path: Path, code: int) -> Path:
    """A picture of one tone."""
    Image.fromarray(np.full((40, 60, 3), code, np.uint8)).save(path)
    return path


def tone(data: bytes | None) -> int:
    """Of a tile."""
    assert data is not None
    return round(float(np.asarray(Image.open(io.BytesIO(data)))[:40, :60].mean()))


def test_a_tile_is_of_the_picture_that_was_offered(tmp_path: Path) -> None:
    pictures = Pictures()
    one, two = (pictures.known(saved(tmp_path / f"{code}.png", code)) for code in (50, 200))
    assert tone(pictures.tile(*one, 0, 0, 0)) == pytest.approx(50, abs=2)
    assert tone(pictures.tile(*two, 0, 0, 0)) == pytest.approx(200, abs=2)
    assert pictures.tile(*one, 0, 9, 9) is None
    pictures.close()


def test_what_was_not_offered_or_changed_since_is_none(tmp_path: Path) -> None:
    pictures, path = Pictures(), saved(tmp_path / "a.png", 50)
    id, stamp = pictures.known(path)
    assert pictures.tile("0" * 16, stamp, 0, 0, 0) is None
    assert pictures.tile(id, "older", 0, 0, 0) is None
    saved(path, 90)
    os.utime(path, (1, 1))
    assert pictures.tile(id, stamp, 0, 0, 0) is None
    again = pictures.known(path)
    assert again[0] == id and again[1] != stamp
    assert tone(pictures.tile(*again, 0, 0, 0)) == pytest.approx(90, abs=2)
    pictures.close()


def test_a_file_that_is_no_picture_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"no picture")
    with pytest.raises(StitchbedError):
        Pictures().picture(tmp_path / "a.png")


def test_few_stay_open_those_looked_at_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tiles, "MOST_OPEN", 2)
    pictures = Pictures()
    paths = [saved(tmp_path / f"{k}.png", 40 * k) for k in range(3)]
    opened = [pictures.picture(path) for path in paths[:2]]
    assert pictures.picture(paths[0]) is opened[0]
    pictures.picture(paths[2])  # the second was looked at longest ago
    assert pictures.picture(paths[0]) is opened[0]
    assert pictures.picture(paths[1]) is not opened[1]
    pictures.close()


def test_ink_alone_is_shown_on_white_and_holes_in_a_canvas_on_gray(tmp_path: Path) -> None:
    path = tmp_path / "ink.png"
    pixels = np.zeros((40, 60, 4), np.uint8)
    pixels[:, 30:, 3] = 255
    Image.fromarray(pixels).save(path)
    for paper, code in ((False, 119), (True, 255)):
        pictures = Pictures()
        id, stamp = pictures.known(path, paper=paper)
        tile = np.asarray(Image.open(io.BytesIO(pictures.tile(id, stamp, 0, 0, 0) or b"")).convert("RGB"))
        assert abs(int(tile[20, 10, 0]) - code) < 4 and tile[20, 50].max() < 8
        pictures.close()
