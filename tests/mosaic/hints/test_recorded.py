"""I check that an earlier record lays pieces out again, and how far the pictures may correct it."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from laid_pieces import EVIDENCE, SIZE, detail_at, shift

from stitchbed.core.errors import BadSettings
from stitchbed.imaging.transforms import moved
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.kinds import Apart
from stitchbed.mosaic.hints.recorded import recorded_links, recorded_places
from stitchbed.mosaic.linking.link_graph import corners
from stitchbed.mosaic.survey.context import Recorded
from stitchbed.reading.base.tile import Raster, Tile


def tile(name: str, dpi: float | None = 300.0) -> Tile:
    """A piece of 500 x 400 px."""
    both = None if dpi is None else (dpi, dpi)
    return Tile(name, Path(name), "", Raster((400, 500, 3), "uint8", 8, None, both, True))


def written(folder: Path, places: dict[str, Any], *, dpi: float | None = 300.0, **changed: Any) -> Path:
    """A record of these places."""
    record = {
        "command": "join",
        "canvas": {"dpi": 300},
        "inputs": [{"name": name, "dpi": None if dpi is None else [dpi, dpi]} for name in places],
        "placements": [{"tile": name, "canvas_from_tile": np.asarray(at).tolist()} for name, at in places.items()],
    }
    (folder / "canvas.json").write_text(json.dumps(record | changed), encoding="utf-8")
    return folder / "canvas.json"


TWO = {"a.tif": shift(5, 6), "b.tif": shift(300, 8)}


@pytest.mark.parametrize("names", [("a.tif", "b.tif"), ("a.png", "b.jpg"), ("scan_1.tif", "scan_2.tif")])
def test_pieces_go_by_name_by_stem_or_by_their_order(names: tuple[str, str], tmp_path: Path) -> None:
    found = recorded_places(written(tmp_path, TWO), [tile(name) for name in names], frozenset())
    assert found.dpi == 300.0 and list(found.places) == list(names)
    assert [place.tolist() for place in found.places.values()] == [at.tolist() for at in TWO.values()]


def test_a_name_counts_more_than_the_order(tmp_path: Path) -> None:
    found = recorded_places(written(tmp_path, TWO), [tile("b.tif"), tile("a.tif")], frozenset())
    assert np.array_equal(found.places["b.tif"], TWO["b.tif"])


@pytest.mark.parametrize("names", [("a.tif", "c.tif"), ("x.tif", "y.tif", "z.tif")])
def test_pieces_that_the_record_does_not_know_are_named(names: tuple[str, ...], tmp_path: Path) -> None:
    unknown = ", ".join(name for name in names if name not in TWO)
    with pytest.raises(BadSettings, match=f"does not say where {unknown} lies"):
        recorded_places(written(tmp_path, TWO), [tile(name) for name in names], frozenset())


def test_a_piece_scanned_finer_lies_where_it_lay(tmp_path: Path) -> None:
    found = recorded_places(written(tmp_path, TWO), [tile("a.tif", 600.0), tile("b.tif", None)], frozenset())
    fine = moved(found.places["a.tif"], np.array([(-0.5, -0.5), (199.5, 99.5)]))
    assert fine == pytest.approx(np.array([(4.5, 5.5), (104.5, 55.5)]))  # corners of px, in px of half that dpi
    assert np.array_equal(found.places["b.tif"], TWO["b.tif"])
    unsaid = recorded_places(written(tmp_path, TWO, dpi=None), [tile("a.tif", 600.0), tile("b.tif")], frozenset())
    assert np.array_equal(unsaid.places["a.tif"], TWO["a.tif"])


def test_mirrored_pieces_need_the_hint_again(tmp_path: Path) -> None:
    mirrored = np.array([[-1, 0, 700], [0, 1, 6], [0, 0, 1.0]])
    path = written(tmp_path, {**TWO, "a.tif": mirrored})
    with pytest.raises(BadSettings, match=r"a\.tif, which canvas\.json holds mirrored") as caught:
        recorded_places(path, [tile("a.tif"), tile("b.tif")], frozenset())
    assert caught.value.attempt == "--mirrored a.tif"
    found = recorded_places(path, [tile("a.tif"), tile("b.tif")], frozenset({"a.tif"}))
    assert np.allclose(found.places["a.tif"], shift(201, 6))  # 499 px further to the left is its flipped first px
    with pytest.raises(BadSettings, match=r"b\.tif, which canvas\.json holds mirrored"):
        recorded_places(path, [tile("a.tif"), tile("b.tif")], frozenset({"a.tif", "b.tif"}))


@pytest.mark.parametrize(
    "changed",
    [
        {"command": "clean"},
        {"placements": []},
        {"placements": [{"tile": "a.tif", "canvas_from_tile": [[1, 0], [0, 1]]}]},
        {"placements": [{"tile": "a.tif"}]},
        {"canvas": {"dpi": "many"}},
        {"inputs": 3},
    ],
)
def test_what_is_no_record_of_a_join_is_refused(changed: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="which is no record of a join"):
        recorded_places(written(tmp_path, TWO, **changed), [tile("a.tif")], frozenset())


def test_files_that_are_no_record_are_refused(tmp_path: Path) -> None:
    for content in ("tram", "[]", "[" * 100_000, "null"):
        (tmp_path / "canvas.json").write_text(content, encoding="utf-8")
        with pytest.raises(BadSettings, match="no record of a join"):
            recorded_places(tmp_path / "canvas.json", [tile("a.tif")], frozenset())
    with pytest.raises(BadSettings, match=r"no record of a join \("):
        recorded_places(tmp_path / "not-there.json", [tile("a.tif")], frozenset())


TRUE = {"a": (10, 10), "b": (130, 12), "c": (360, 12), "d": (450, 14)}  # c and d hold nothing


def links(record: dict[str, tuple[float, float]], hints: Hints = Hints()) -> list[Link]:  # noqa: B008
    """Links of pieces as they truly are, by a record of where they lay."""
    tiles = [Tile(name, Path(name), "", Raster((*SIZE, 1), "uint8", 8, None, None, True)) for name in record]
    recorded = Recorded({name: shift(*at) for name, at in record.items()}, 50.8)
    settings = SimpleNamespace(evidence=EVIDENCE)
    previews = [SimpleNamespace(keypoints=SimpleNamespace(tile=name), detail=detail_at(*TRUE[name])) for name in record]
    context = SimpleNamespace(recorded=recorded, hints=hints, tiles=tiles, settings=settings)
    return recorded_links(context, previews)  # type: ignore[arg-type]


def off(link: Link) -> float:
    """px by which the corners of a piece lie wrongly at most."""
    truth = shift(*np.subtract(TRUE[link.a], TRUE[link.b]))
    return float(np.hypot(*(moved(link.b_from_a, corners(SIZE)) - moved(truth, corners(SIZE))).T).max())


@pytest.mark.parametrize("miss", [(0, 0), (1, -2), (16, -10)])  # px of which two are a millimeter
def test_the_pictures_correct_a_record_by_some_millimeters(miss: tuple[int, int]) -> None:
    (one,) = links({"a": (10, 10), "b": (130 + miss[0], 12 + miss[1])})
    assert (one.a, one.b) == ("a", "b") and off(one) < 1.2
    assert one.probability >= 0.9 and not one.weak and one.loose_mm == 0 and one.agreement > 0.8
    assert np.allclose(moved(one.b_from_a, one.xy_a), one.xy_b)


def test_where_nothing_is_drawn_the_record_is_taken_at_its_word() -> None:
    (one,) = links({"c": (360, 12), "d": (455, 10)})
    assert np.allclose(one.b_from_a, shift(-95, 2))
    assert (one.weak, one.probability, one.loose_mm) == (True, 0.8, 3.0)
    assert np.array_equal(one.xy_a, corners(SIZE)) and one.agreement == 0.01


def test_only_pairs_that_lie_on_each_other_and_are_not_apart_are_linked() -> None:
    record = {"a": (10, 10), "b": (130, 12), "c": (286, 12), "d": (450, 14)}  # b and c share 3 px of 159
    assert [(one.a, one.b) for one in links(record)] == [("a", "b")]
    assert [(one.a, one.b) for one in links({**record, "c": (285, 12)})] == [("a", "b"), ("b", "c")]
    assert links(record, Hints(apart=(Apart("b", "a"),))) == []


def test_without_a_record_there_is_nothing_to_lay_out_by() -> None:
    with pytest.raises(ValueError, match="no record"):
        recorded_links(SimpleNamespace(recorded=None), [])  # type: ignore[arg-type]
