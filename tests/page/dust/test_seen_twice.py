"""I check which places of a canvas two pieces saw, from the record a join leaves and by arithmetic of its frames."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from stitchbed.page.dust.seen_twice import MARGIN_MM, pieces_of, seen_twice

DPI = 254.0  # 10 px a mm
MARGIN = 10 * MARGIN_MM


def record(**changed: object) -> dict:
    """Two pieces of 400 x 500 px, the second turned by a half and 300 px further."""
    turned = [[-1.0, 0.0, 300 + 499], [0.0, -1.0, 399], [0.0, 0.0, 1.0]]
    return {
        "command": "join",
        "inputs": [{"name": name, "height": 400, "width": 500} for name in ("b.tif", "a.tif")],
        "placements": [
            {"tile": "a.tif", "canvas_from_tile": np.eye(3).tolist()},
            {"tile": "b.tif", "canvas_from_tile": turned},
        ],
    } | changed


def written(folder: Path, content: dict) -> Path:
    """The canvas beside whose place the record stands."""
    (folder / "canvas.json").write_text(json.dumps(content), encoding="utf-8")
    return folder / "canvas.tif"


def test_places_both_show_well_within_their_edges(tmp_path: Path) -> None:
    pieces = pieces_of(written(tmp_path, record()))
    assert [size for _, *size in pieces] == [[400.0, 500.0]] * 2
    x, y = (part.ravel().astype(float) for part in np.meshgrid(np.arange(0, 800, 7), np.arange(0, 400, 7)))
    inside_a = (x > MARGIN) & (x < 500 - MARGIN) & (y > MARGIN) & (y < 400 - MARGIN)
    u, v = 799 - x, 399 - y  # the half turn by hand
    inside_b = (u > MARGIN) & (u < 500 - MARGIN) & (v > MARGIN) & (v < 400 - MARGIN)
    found = seen_twice(pieces, x, y, DPI)
    assert np.array_equal(found, inside_a & inside_b)
    assert found.any() and not found.all()


def test_three_pieces_are_at_least_two_and_one_is_not(tmp_path: Path) -> None:
    pieces = pieces_of(written(tmp_path, record()))
    at = np.array([100.0]), np.array([200.0])
    assert seen_twice(pieces, *at, DPI).tolist() == [False]
    assert seen_twice(pieces + pieces, *at, DPI).tolist() == [True]
    assert seen_twice([*pieces, pieces[0], pieces[0]], *at, DPI).tolist() == [True]
    assert seen_twice([], *at, DPI).tolist() == [False]


def test_a_perspective_is_divided_out() -> None:
    bent = np.array([[1.0, 0, 0], [0, 1, 0], [0.001, 0, 1]])
    x = np.array([500.0, 600.0])  # tile 333.3 and 375 of 400 px; the margin begins at 370
    piece = (bent, 400.0, 400.0)
    assert seen_twice([piece, piece], x, np.array([200.0, 200.0]), DPI).tolist() == [True, False]


@pytest.mark.parametrize(
    "content",
    [record(command="clean"), {"command": "join"}, record(inputs=[]), record(placements=[{"tile": "a.tif"}]), []],
)
def test_what_is_no_join_s_record_tells_nothing(content: dict, tmp_path: Path) -> None:
    assert pieces_of(written(tmp_path, content)) == []


def test_no_record_and_a_damaged_one_tell_nothing(tmp_path: Path) -> None:
    assert pieces_of(tmp_path / "canvas.tif") == []
    (tmp_path / "canvas.json").write_bytes(b"{\xff")
    assert pieces_of(tmp_path / "canvas.tif") == []
