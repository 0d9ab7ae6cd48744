"""I check that what a person says of the pieces is followed where the pictures let it, and told in any case."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
import truth
import verdict
from joined import DPI, QUICK, SMALL, hashes_of

import stitchbed
from stitchbed.core.errors import Disconnected
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.kinds import (
    Apart,
    Beside,
    Distance,
    Hold,
    LeaveOut,
    Mirrored,
    Near,
    NeverShow,
    SamePoint,
    Show,
)

STEP = 0.72 * SMALL[1]


@pytest.fixture(scope="module")
def row(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[truth.TrueTile]]:
    """Three pieces in a row, and where they lie."""
    sheet = truth.paint_sheet(SMALL[0] + 10, round(2 * STEP + SMALL[1]) + 10, 5)
    middles = [(SMALL[1] / 2 + 5 + k * STEP, SMALL[0] / 2 + 5) for k in range(3)]
    tiles = truth.cut_tiles(
        sheet, [truth.pose(x, y, 0.2 * k, shape=SMALL) for k, (x, y) in enumerate(middles)], shape=SMALL
    )
    folder = tmp_path_factory.mktemp("row")
    truth.write_set(folder, tiles, DPI)
    return folder, tiles


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[truth.TrueTile]]:
    """Two pieces that share nothing but bare paper without grain."""
    sheet = truth.paint_sheet(SMALL[0], 2 * SMALL[1], 3, blank=(0.33, 0.67), grain=0.0)
    poses = [
        truth.pose(0.55 * SMALL[1], SMALL[0] / 2, 0.0, shape=SMALL),
        truth.pose(1.4 * SMALL[1], SMALL[0] / 2, 0, shape=SMALL),
    ]
    tiles = truth.cut_tiles(sheet, poses, shape=SMALL, faults=truth.Faults(noise=0.01))
    folder = tmp_path_factory.mktemp("bare")
    truth.write_set(folder, tiles, DPI)
    return folder, tiles


def _joined(folder: Path, out: Path, hints: Hints = Hints(), **changes: Any) -> dict[str, Any]:  # noqa: B008
    return dict(stitchbed.join(folder, out, replace(QUICK, hints=hints, **changes)))


def _between(record: dict[str, Any], a: int, b: int) -> np.ndarray:
    """b_from_a of two pieces in the record."""
    one, two = (np.array(record["placements"][k]["canvas_from_tile"]) for k in (a, b))
    return np.asarray(np.linalg.inv(two) @ one)


def test_points_and_rough_places_join_what_nothing_drawn_holds(
    bare: tuple[Path, list[truth.TrueTile]], tmp_path: Path
) -> None:
    folder, tiles = bare
    with pytest.raises(Disconnected, match=r"\[join.hints\]") as raised:
        _joined(folder, tmp_path / "none.tif")
    assert raised.value.lines[0].startswith("same_point = [{ a = ")
    true = np.linalg.inv(tiles[1].sheet_from_tile) @ tiles[0].sheet_from_tile
    at = true[:2, :2] @ np.array([330.0, 150.0]) + true[:2, 2]
    points = SamePoint("piece_01", (330, 150), "piece_02", (float(at[0]), float(at[1])), within_mm=0.5)
    side = Beside("piece_02", "right", "piece_01", 0.85 * SMALL[1] / DPI * 25.4 + 1.0, 0.0, 4.0)
    # the middle of the second piece as a place of the first one, said 2 mm off
    middle = np.linalg.inv(true) @ np.array([(SMALL[1] - 1) / 2, (SMALL[0] - 1) / 2, 1.0])
    x, y = (middle[:2] + 0.5) / DPI * 25.4 + (2.0, -1.0)
    near = Near("piece_02", (float(x), float(y)), 0.0, 4.0, of="piece_01")
    for hints, off_mm in (
        (Hints(same_point=(points,)), 0.5),
        (Hints(beside=(side,)), 4.0),
        (Hints(near=(near,)), 4.0),
    ):
        record = _joined(folder, tmp_path / "said.tif", hints)
        found = _between(record, 0, 1)
        assert np.abs(found - true)[:2, 2].max() < off_mm / 25.4 * DPI
        assert record["hints"][0]["followed"] and any("may be off by" in word for word in record["warnings"])


def test_what_contradicts_the_pictures_is_refused_or_told(
    row: tuple[Path, list[truth.TrueTile]], tmp_path: Path
) -> None:
    folder = row[0]
    plain = _joined(folder, tmp_path / "plain.tif")
    wrong = {
        "near": Near("piece_03", (40, 40), 0.0, 8.0),
        "beside": Beside("piece_03", "left", "piece_01", 60.0),
        "apart": Apart("piece_01", "piece_02"),
    }
    for key, hint in wrong.items():
        record = _joined(folder, tmp_path / "plain.tif", Hints(**{key: (hint,)}))
        assert not record["hints"][0]["followed"] and record["hints"][0]["against"], key
        assert any(word.startswith(f"{key} ") for word in record["warnings"])
        assert record["placements"] == plain["placements"], key
    said = SamePoint("piece_01", (100, 100), "piece_02", (300, 250))
    with pytest.raises(Disconnected, match=r"followed although the pictures contradict it.* moved by [0-9]+ px"):
        _joined(folder, tmp_path / "points.tif", Hints(same_point=(said,)))


def test_a_polygon_changes_its_blocks_and_a_barred_place_is_shown_by_another(
    row: tuple[Path, list[truth.TrueTile]], tmp_path: Path
) -> None:
    folder, tiles = row
    out = tmp_path / "c.tif"
    laid = _joined(folder, out, layout_only=True)
    assert laid["layout_only"] and len(laid["placements"]) == 3 and not out.exists()
    assert {path.name for path in tmp_path.iterdir()} >= {"c.layout.json", "c.layout.png", ".c.tif.job"}
    before = _joined(folder, out)
    kept = tifffile.imread(out)
    mm = 25.4 / DPI
    box = [(330, 120), (350, 120), (350, 180), (330, 180)]
    record = _joined(folder, out, Hints(show=(Show("piece_01", tuple((x * mm, y * mm) for x, y in box)),)))
    assert record["hints"][-1]["followed"] and record["placements"] == before["placements"]
    changed = (tifffile.imread(out) != kept).any(2)
    rows, cols = np.nonzero(changed)
    assert changed.any() and rows.min() > 60 and rows.max() < 240 and cols.min() > 260 and cols.max() < 430
    away = _joined(folder, out, Hints(show=(Show("piece_03", ((1, 1), (9, 1), (9, 9))),)))
    assert any("sees nothing of this place" in word for word in away["warnings"])
    assert np.array_equal(tifffile.imread(out), kept)
    barred = _joined(folder, out, Hints(never_show=(NeverShow("piece_01", (290, 100, 60, 60)),)))
    assert barred["outside"]["unseen_share"] <= before["outside"]["unseen_share"] + 1e-9
    seen = verdict.judge(out, barred, truth.paint_sheet(SMALL[0] + 10, round(2 * STEP + SMALL[1]) + 10, 5), tiles)
    assert seen.rms < 0.2


def test_sizes_held_and_mirrored_and_left_out_pieces(row: tuple[Path, list[truth.TrueTile]], tmp_path: Path) -> None:
    folder, tiles = row
    shift = tiles[1].sheet_from_tile[:2, 2] - tiles[0].sheet_from_tile[:2, 2]
    far = float(np.hypot(*shift)) / DPI * 25.4 * 1.01
    record = _joined(
        folder, tmp_path / "d.tif", Hints(distance=(Distance("piece_01", (0, 0), "piece_02", (0, 0), far),))
    )
    assert abs(record["canvas"]["dpi"] - DPI / 1.01) < 0.05
    held = _joined(folder, tmp_path / "h.tif", Hints(hold=(Hold("piece_03"),)))
    assert np.allclose(np.array(held["placements"][2]["canvas_from_tile"])[:2, :2], np.eye(2), atol=2e-5)
    out = _joined(folder, tmp_path / "o.tif", Hints(leave_out=(LeaveOut("piece_03"),)))
    assert len(out["inputs"]) == 2 and any("left out" in word for word in out["warnings"])
    again = _joined(folder, tmp_path / "r.tif", from_record=tmp_path / "h.json")
    assert np.abs(_between(again, 0, 2) - _between(held, 0, 2))[:2, 2].max() < 0.1
    other = tmp_path / "mirrored"
    truth.write_set(other, [replace(tiles[0], pixels=tiles[0].pixels[:, ::-1]), *tiles[1:]], DPI)
    before = hashes_of(sorted(other.iterdir()))
    flipped = _joined(other, tmp_path / "m.tif", Hints(mirrored=(Mirrored("piece_01"),)))
    back = np.array([[-1.0, 0, SMALL[1] - 1], [0, 1, 0], [0, 0, 1]])
    assert np.abs(_between(flipped, 0, 1) @ back - _between(held, 0, 1))[:2, 2].max() < 0.3
    assert hashes_of(sorted(other.iterdir())) == before
