"""I check what lies on the mat: a card for each piece, pieces where they lie, the newest picture."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image

from stitchbed.desk.job.pieces import Facts, Piece
from stitchbed.desk.look.mats import cards, layers, mat_of, picture
from stitchbed.desk.look.places import Known
from stitchbed.desk.look.tiles import Pictures
from stitchbed.desk.stops import BY_NAME

LAID: dict[str, Any] = {
    "placements": [{"tile": "b", "canvas_from_tile": [[1, 0, 70.0], [0, 1, 0], [0, 0, 1]]}],
    "canvas": {"width": 2000, "height": 1000, "dpi": 150}, "hints": None, "warnings": None,
    "links": [{"a": "b", "b": "x", "rms_px": rms} for rms in (1.0, None, 3.0)],
}  # fmt: skip
FACTS = Facts(1000, 2000, 300.0)


def piece(name: str, *, left_out: bool = False) -> Piece:
    """A piece that lies in /scans."""
    return Piece(f"id-{name}", name, Path("/scans") / name, left_out, 1, "stamp")


def session(*pieces: Piece, checked: Any = None, known: Any = None, rows: Any = (), text: str = "") -> Any:
    """As much of a session as a mat asks."""
    job = SimpleNamespace(
        pieces=lambda: list(pieces), checked=lambda: checked, laid=lambda: checked, known=lambda: known,
        rows=lambda page="": list(rows), pages=list, facts=lambda one: FACTS, mark=lambda: "now", text=lambda: text,
    )  # fmt: skip
    return SimpleNamespace(job=job, pictures=Pictures())


def looked(*names: str, mark: str = "now", **verdicts: str) -> dict[str, Any]:
    """A check of those pieces."""
    lifted = {"fault": "lifted", "level": "usable", "numbers": {"left": {"reach_px": 100}}}
    rows = [
        {"name": name, "path": f"/scans/{name}", "verdict": verdicts.get(name, "good"),
         "findings": [lifted] if verdicts.get(name) == "usable" else [], "numbers": {}}
        for name in names
    ]  # fmt: skip
    places = [
        {"tile": name, "island": 0, "sheet_from_tile": [[1, 0, 500.0 * k], [0, 1, 0], [0, 0, 1]]}
        for k, name in enumerate(names)
    ]
    whole = {"findings": [{"fault": "gap"}]}
    record = {"pieces": rows, "placements": places, "set": whole, "warnings": ["c.tif was left out"]}
    return {"mark": mark, "record": record}


def test_each_piece_has_a_card_with_its_verdict_and_marks() -> None:
    told = session(
        piece("a"), piece("b"), piece("c", left_out=True), piece("d"), checked=looked("a", "b", "c", b="usable")
    )
    found = {one["name"]: one for one in cards(told)}
    assert [one["verdict_words"] for one in found.values()] == ["good", "can be used", "left out", "not looked at yet"]
    assert found["b"]["marks"] == [{"x": 0, "y": 0, "width": 0.1, "height": 1, "words": "lifted", "level": "usable"}]
    assert found["a"]["marks"] == found["c"]["findings"] == found["d"]["findings"] == []
    assert (found["a"]["width"], found["a"]["height"], found["a"]["turn"]) == (1000, 2000, 1)


@pytest.mark.parametrize("mark", ["now", "earlier"])
def test_what_was_said_of_the_set_counts_for_just_these_pieces(mark: str) -> None:
    mat = mat_of(session(piece("a"), checked=looked("a", mark=mark)), BY_NAME["pieces"], ())
    assert mat["kind"] == "cards" and len(mat["cards"]) == 1
    assert mat["set"] == ([{"fault": "gap"}] if mark == "now" else [])
    assert mat["notes"] == (["c.tif was left out"] if mark == "now" else [])


def test_pieces_lie_where_the_check_or_the_join_laid_them() -> None:
    told = looked("a", "b", "c")
    mat = layers(session(piece("a"), piece("b"), piece("c", left_out=True), checked=told))
    assert mat["kind"] == "layers"
    assert [(one["name"], one["matrix"][4]) for one in mat["data"]["layers"]] == [("a", 0), ("b", 500)]
    mat = layers(session(piece("a"), piece("b"), checked=told, known=Known(LAID, True)))
    assert [(one["name"], one["matrix"][4]) for one in mat["data"]["layers"]] == [("b", 70)]
    assert (mat["data"]["width"], mat["data"]["height"], mat["data"]["dpi"]) == (2000, 1000, 150)
    assert [one["rms_px"] for one in mat["links"]] == [3.0, 1.0, None]  # the worst first
    assert (mat["links"][0]["a_id"], mat["links"][0]["b_id"]) == ("id-b", None)
    assert mat["effects"] == mat["notes"] == []


def test_a_piece_put_by_hand_lies_there_until_it_is_placed_again() -> None:
    told = looked("a", "b")
    both = {**LAID, "placements": [*LAID["placements"], {**LAID["placements"][0], "tile": "a"}]}
    hint = {"piece": "a", "of": "b", "at": [25.4, 50.8], "turn": 90.0}
    known = Known(both, False, (("near", hint), ("near", {"piece": "a", "of": "b", "at": "nowhere"})))
    for mat in (
        layers(session(piece("a"), piece("b"), checked=told, known=known)),
        layers(
            session(
                piece("a"),
                piece("b"),
                checked=told,
                text='[join]\nhints.near = [{piece = "a", of = "b", at = [25.4, 50.8], turn = 90.0}]\n',
            )
        ),
    ):
        b, a = sorted(mat["data"]["layers"], key=lambda one: one["name"], reverse=True)
        assert a["put"] and "put" not in b
        # 25.4 and 50.8 mm at 300 dpi: px 299.5, 599.5 of b, where the middle of a is now, a quarter turned
        xa, ya = (a["matrix"][k] * 499.5 + a["matrix"][k + 2] * 999.5 + a["matrix"][k + 4] for k in (0, 1))
        assert (xa, ya) == pytest.approx((299.5 + b["matrix"][4], 599.5 + b["matrix"][5]))
        assert a["matrix"][:4] == pytest.approx([0, 1, -1, 0], abs=1e-12)


def test_without_a_look_or_a_place_it_says_so() -> None:
    assert layers(session(piece("a")))["kind"] == "empty"
    assert layers(session(checked=looked()))["kind"] == "empty"
    nowhere = looked("a")
    nowhere["record"]["placements"] = []
    assert "No piece has a place" in layers(session(piece("a"), checked=nowhere))["words"]


def test_the_newest_picture_of_a_stop_or_the_one_before_it(tmp_path: Path) -> None:
    paths = [tmp_path / name for name in ("canvas.tif", "page.tif")]
    for path in paths:
        Image.fromarray(np.zeros((30, 40, 3), np.uint8)).save(path)

    def row(step: str, path: Path, state: str = "done") -> dict[str, Any]:
        return {"step": step, "outputs": [str(path)], "state": state, "warnings": []}

    rows = [row("join", paths[0]), row("clean", paths[1], "changed")]
    told = [session(rows=rows), session(rows=[rows[0], row("clean", tmp_path / "gone.tif")])]
    shown = picture(told[0], BY_NAME["clean"])
    assert shown["words"] == "clean: page.tif" and shown["stale"]
    assert (shown["data"]["width"], shown["data"]["height"]) == (40, 30)
    before = picture(told[1], BY_NAME["clean"])
    assert before["words"].endswith("canvas.tif") and before["before"] and not before["stale"]
    assert picture(session(), BY_NAME["clean"])["kind"] == "empty"
    # a stop the job has no step of: what was made before it, not what comes after
    skipped = session(rows=[row("join", paths[0]), row("clean", paths[1])])
    assert picture(skipped, BY_NAME["shape"])["words"] == "canvas.tif"
    skipped.pictures.close()
    for one in told:
        one.pictures.close()
