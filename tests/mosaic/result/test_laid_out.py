"""I check what is told of a layout before anything is measured: places on one canvas, islands apart, words."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from laid_pieces import DPI, EVIDENCE, SIZE, detail_at, link, shift
from PIL import Image

from stitchbed.core.errors import Disconnected
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.kinds import Hold, Mirrored
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.result import laid_out
from stitchbed.mosaic.result.laid_out import for_page, layout_paths, layout_record
from stitchbed.mosaic.survey.layout import Laid
from stitchbed.reading.base.tile import Raster, Tile

TURNED = np.array([[0, -1, 300], [1, 0, 20], [0, 0, 1.0]])


def island(**places: np.ndarray) -> Layout:
    """Pieces that hang together, the first being the reference."""
    first, *others = places
    return Layout(first, places, tuple(link(first, other, np.linalg.inv(places[other])) for other in others), ())


def told(folder: Path, *islands: Layout, hints: Hints = Hints(), dpi: dict[str, float] | None = None) -> dict[str, Any]:  # noqa: B008
    """The record of a layout, with its picture in a folder."""
    names = sorted(name for one in islands for name in one.sheet_from_tile)
    tiles = [Tile(name, Path(name), "", Raster((*SIZE, 1), "uint8", 8, None, None, True)) for name in names]
    context = SimpleNamespace(
        tiles=tiles, hints=hints, recorded=None, dpi=np.array([(dpi or {}).get(name, DPI) for name in names]),
        kind=SimpleNamespace(channels=3, dtype="uint16"),
        settings=SimpleNamespace(allow_missing=False, evidence=EVIDENCE),
    )  # fmt: skip
    picture = np.full((30, 40, 1), 128, np.uint8)
    previews = [
        SimpleNamespace(picture=picture, keypoints=SimpleNamespace(tile=name, reduction=3), detail=detail_at(10, 10))
        for name in names
    ]
    looked = SimpleNamespace(previews=previews, no_links=[])
    row = {"kind": "near", "text": "a 1,2", "words": "refused", "against": True, "moved_px": {}, "neighbors": []}
    laid = Laid(islands, (row, {**row, "words": "fine", "against": False}))
    at = (folder / "canvas.tif", folder / "canvas.json")
    return layout_record(context, looked, laid, at, originals=[])  # type: ignore[arg-type]


def place(record: dict[str, Any], name: str) -> np.ndarray:
    """canvas_from_tile of a piece."""
    return np.array(next(row["canvas_from_tile"] for row in record["placements"] if row["tile"] == name))


def test_files_lie_beside_the_record_of_a_join() -> None:
    paths = layout_paths(Path("folder/canvas.json"))
    assert paths == (Path("folder/canvas.layout.json"), Path("folder/canvas.layout.png"))


def test_one_island_lies_at_the_top_left(tmp_path: Path) -> None:
    record = told(tmp_path, island(b=np.eye(3), a=shift(-60, 10)))
    assert record["reference"] == "b" and record["placed"] == ["a", "b"] and record["islands"] == [["a", "b"]]
    assert np.allclose(place(record, "a"), shift(0, 10)) and np.allclose(place(record, "b"), shift(60, 0))
    # corners of the last px lie at 60 + 159 and 10 + 119
    assert (record["canvas"]["width"], record["canvas"]["height"]) == (220, 130)
    assert record["canvas"]["path"] == tmp_path / "canvas.tif"
    assert (record["canvas"]["dpi"], record["canvas"]["channels"], record["canvas"]["dtype"]) == (DPI, 3, "uint16")
    row = record["placements"][0]
    assert (row["tile"], row["sigma_px"], row["rotation_deg"], row["scale"]) == ("a", 1.5, 0.0, 1.0)
    assert [(one["a"], one["b"]) for one in record["links"]] == [("b", "a")]
    assert record["layout_only"] and record["pictures"] == {"layout": "canvas.layout.png"}
    with Image.open(tmp_path / "canvas.layout.png") as picture:
        # 700 px on the longer side, and margins
        assert picture.size == (788, round(130 * 700 / 220) + 88)


def test_islands_stand_beside_each_other_two_centimeters_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    error = Disconnected("3 pieces in 2 islands", expected="one", attempt="hints", lines=("same_point = []",))
    assert str(error).splitlines()[-2:] == ["  [join.hints]", "  same_point = []"]  # to copy, each on a line of its own

    def one_layout(*given: Any) -> Any:
        raise error

    monkeypatch.setattr(laid_out, "one_layout", one_layout)
    record = told(tmp_path, island(a=np.eye(3), b=shift(100, 5)), island(c=np.eye(3)), dpi={"c": 2 * DPI})
    assert np.allclose(place(record, "b"), shift(100, 5))
    # c was scanned twice as fine, and begins 20 mm right of the last px of b
    left = 100 + 159 + 20 * DPI / 25.4
    assert np.allclose(place(record, "c")[:2, :2], np.eye(2) / 2)
    assert place(record, "c")[0, 2] == pytest.approx(left, abs=0.6)
    assert record["canvas"]["width"] == pytest.approx(left + 79.5 + 1, abs=1.1) and record["canvas"]["height"] == 125
    assert record["islands"] == [["a", "b"], ["c"]] and record["placed"] == ["a", "b"]
    assert next(row for row in record["placements"] if row["tile"] == "c")["scale"] == 0.5
    assert record["warnings"] == [
        "refused", "3 pieces in 2 islands", "hint for the job file: same_point = []"
    ]  # fmt: skip


def test_turned_pieces_and_mirrored_ones(tmp_path: Path) -> None:
    record = told(tmp_path, island(a=np.eye(3), b=TURNED), hints=Hints(mirrored=(Mirrored("a"),)))
    rows = {row["tile"]: row["rotation_deg"] for row in record["placements"]}
    assert rows == {"a": 0.0, "b": 90.0}
    # its px as the file has them: the first of a row is seen as the last
    assert np.allclose(place(record, "a") @ (0, 7, 1), (159, 7, 1))
    assert np.allclose(place(record, "a") @ (159, 0, 1), (0, 0, 1))
    assert np.allclose(place(record, "b") @ (0, 0, 1), (300, 20, 1))


def test_a_held_piece_lies_as_it_was_said_to(tmp_path: Path) -> None:
    record = told(tmp_path, island(a=np.eye(3), b=TURNED), hints=Hints(hold=(Hold("b", (50, 50), 0.0),)))
    assert {row["tile"]: row["rotation_deg"] for row in record["placements"]} == {"a": -90.0, "b": 0.0}


def test_the_page_shows_the_drawing_as_the_canvas() -> None:
    record = {
        "drawing_from_canvas": [[0.5, 0, 44], [0, 0.5, 44], [0, 0, 1]], "canvas": {"dpi": 300.0, "width": 7},
        "placements": [{"tile": "a", "canvas_from_tile": [[1, 0, 10], [0, 1, 20], [0, 0, 1]], "scale": 1}], "links": [],
    }  # fmt: skip
    page = for_page(record)
    assert page["canvas"] == {"dpi": 150.0, "width": 7} and page["links"] == []
    (row,) = page["placements"]
    assert row == {"tile": "a", "scale": 1, "canvas_from_tile": [[0.5, 0, 49], [0, 0.5, 54], [0, 0, 1]]}
    assert record["placements"][0]["canvas_from_tile"][0][2] == 10
