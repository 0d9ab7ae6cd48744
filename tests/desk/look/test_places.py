"""I check which record of where pieces lie is believed: of a join, of a placing, or none."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from stitchbed.desk.look.places import Known, best_known, entries_of, placing_of, record_of

PLACES = [{"tile": "a", "canvas_from_tile": []}, {"tile": "b", "canvas_from_tile": []}]
SAID = {"near": [{"piece": "a", "at": [1, 2], "of": "b"}], "apart": ["a b"], "hold": [{"piece": "b"}]}


def made(folder: Path, record: Any, state: str = "done") -> list[dict[str, Any]]:
    """A canvas with its record, and how the join stands."""
    (folder / "canvas.tif").write_bytes(b"")
    (folder / "canvas.json").write_text(json.dumps(record))
    return [{"step": "join", "state": state, "outputs": [str(folder / "canvas.tif")]}]


def kept(mark: str = "now", pieces: str = "these", said: Any = None) -> dict[str, Any]:
    """What was kept of a placing."""
    return {"mark": mark, "pieces": pieces, "said": said or {}, "record": {"placements": PLACES, "canvas": {}}}


@pytest.mark.parametrize("state", ["done", "changed by hand since, kept", "changed"])
def test_a_join_is_believed_while_it_is_of_the_job_as_it_is(state: str, tmp_path: Path) -> None:
    record = {"placements": PLACES, "canvas": {"width": 1}}
    found = best_known(made(tmp_path, record, state), kept(), ("these", "now"), {})
    assert found is not None and found.fresh
    assert (found.canvas == tmp_path / "canvas.tif") == (state != "changed")


def test_a_join_without_a_record_tells_nothing(tmp_path: Path) -> None:
    assert best_known(made(tmp_path, {"placements": []}), None, ("these", "now"), {}) is None
    assert record_of(tmp_path / "canvas.tif") == {"placements": []} and record_of(tmp_path / "other.tif") == {}
    (tmp_path / "canvas.json").write_text("[")
    assert record_of(tmp_path / "canvas.tif") == {}


def test_a_placing_is_believed_for_just_these_pieces_and_tells_what_was_said_since() -> None:
    assert best_known((), kept(pieces="others"), ("these", "now"), {}) is None
    assert best_known((), None, ("these", "now"), {}) is None
    fresh = best_known((), kept(), ("these", "now"), SAID)
    assert fresh is not None and fresh.fresh and fresh.unsaid == ()
    older = best_known((), kept("before", said={"hold": SAID["hold"]}), ("these", "now"), SAID)
    assert older is not None and not older.fresh
    assert older.unsaid == (("near", SAID["near"][0]),)  # what stands there as words is not drawn
    assert entries_of("nonsense") == entries_of({"near": "x"}) == []


def test_pieces_beside_the_largest_island_are_alone() -> None:
    assert Known({"placements": PLACES, "islands": [["b"], ["a"]]}, True).told()["alone"] == ["a"]
    assert Known({"placements": PLACES}, True).told()["alone"] == []
    rows = [{"tile": "a", "island": 0}, {"tile": "b", "island": 2}]
    told = placing_of({"placements": rows})
    assert told is not None and told["alone"] == ["b"] and placing_of({}) is placing_of(None) is None
