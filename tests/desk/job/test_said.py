"""I check the acts by which pieces are spoken of: entries of a job file as a join reads them, and all said in words."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from stitchbed.core.errors import BadSettings
from stitchbed.desk.job.acts import Scene
from stitchbed.desk.job.pieces import Piece
from stitchbed.desk.job.said import all_said, apart, hold, near, same_point, show, take_back, together
from stitchbed.mosaic.hints.hints import Hints, hints_of
from stitchbed.mosaic.hints.kinds import Apart, Hold, Near, SamePoint, Show, Together

TEXT = "# mine\nname = 'map'\n\n[join]\noutside = \"paper\"  # not see-through\n"
SCENE = Scene(
    Path("job"),
    {id: Piece(id, f"scans/{id}.tif", Path("job/scans") / f"{id}.tif", False, 0, "s") for id in ("a", "b")},
    {},
)
POINTS = {"a": "a", "b": "b", "a_at": [1, 2.345678], "b_at": [30.5, -4]}
AREA = [[1, 2], [30.005, 2], [30, 40]]


def said(text: str) -> Hints:
    """The hints of a job file as a join reads them."""
    return hints_of(tomllib.loads(text)["join"].get("hints", {}))


def test_each_act_adds_what_a_join_understands() -> None:
    text = TEXT
    acts = [
        (same_point, POINTS, "the same spot marked in a.tif and b.tif"),
        (apart, {"a": "a", "b": "b"}, "a.tif and b.tif share nothing"),
        (together, {"a": "b", "b": "a"}, "b.tif and a.tif overlap"),
        (hold, {"piece": "b"}, "b.tif held"),
        (show, {"piece": "a", "around": AREA}, "a.tif shown there"),
    ]
    for act, taken, sentence in acts:
        text, words = act(text, taken, SCENE)
        assert words == sentence
    assert said(text) == Hints(
        same_point=(SamePoint("a.tif", (1, 2.35), "b.tif", (30.5, -4)),),
        apart=(Apart("a.tif", "b.tif"),),
        together=(Together("b.tif", "a.tif"),),
        hold=(Hold("b.tif"),),
        show=(Show("a.tif", ((1, 2), (30.0, 2), (30, 40))),),
    )
    assert text.startswith("# mine\nname = 'map'\n") and "# not see-through" in text
    for act, taken, _ in acts:
        assert act(text, taken, SCENE)[0] == text  # said twice is said once


def test_a_second_of_a_kind_is_added_behind_the_first() -> None:
    text = hold(hold(TEXT, {"piece": "b"}, SCENE)[0], {"piece": "a"}, SCENE)[0]
    assert said(text).hold == (Hold("b.tif"), Hold("a.tif"))


def test_a_piece_lies_near_one_place_only() -> None:
    first = {"piece": "a", "of": "b", "at": [12.345, 7], "turn": -0.504}
    text, words = near(TEXT, first, SCENE)
    assert words == "a.tif put where it belongs, beside b.tif"
    assert said(text).near == (Near("a.tif", (12.35, 7), -0.5, of="b.tif"),)
    text = near(text, {"piece": "b", "of": "a", "at": [1, 2], "turn": 0}, SCENE)[0]
    text = near(text, {**first, "at": [50, 60]}, SCENE)[0]
    assert [(one.piece, one.at) for one in said(text).near] == [("b.tif", (1, 2)), ("a.tif", (50, 60))]


@pytest.mark.parametrize(
    ("act", "taken", "words"),
    [
        (same_point, {**POINTS, "b": "a"}, "one piece twice"),
        (same_point, {**POINTS, "a_at": [1]}, "a point"),
        (same_point, {**POINTS, "a_at": "1,2"}, "a point"),
        (same_point, {**POINTS, "b_at": [1, True]}, "a point"),
        (same_point, {**POINTS, "b_at": [1, float("nan")]}, "a point"),
        (same_point, {**POINTS, "b_at": [1, float("inf")]}, "a point"),
        (same_point, {**POINTS, "b_at": [1, 1e7]}, "a point"),
        (same_point, {**POINTS, "b_at": [1, "2"]}, "a point"),
        (apart, {"a": "a", "b": "c"}, "not in this job"),
        (hold, {"piece": 7}, "not in this job"),
        (near, {"piece": "a", "of": "a", "at": [1, 2], "turn": 0}, "one piece twice"),
        (near, {"piece": "a", "of": "b", "at": [1, 2], "turn": "much"}, "a turn of 'much'"),
        (near, {"piece": "a", "of": "b", "at": [1], "turn": 0}, "a point"),
        (show, {"piece": "a", "around": AREA[:2]}, "an area of 2 corners"),
        (show, {"piece": "a", "around": [[k, k * k] for k in range(201)]}, "an area of 201 corners"),
    ],
)
def test_what_makes_no_sense_is_refused(act: Any, taken: dict[str, Any], words: str) -> None:
    with pytest.raises(BadSettings, match=words):
        act(TEXT, taken, SCENE)


def test_areas_of_many_corners_and_far_points_are_taken() -> None:
    around = [[k, k * k] for k in range(200)]
    assert len(said(show(TEXT, {"piece": "a", "around": around}, SCENE)[0]).show[0].around) == 200
    assert said(same_point(TEXT, {**POINTS, "b_at": [1, -9.9e6]}, SCENE)[0]).same_point[0].b_at == (1, -9.9e6)


def test_what_was_said_can_be_taken_back() -> None:
    text = hold(hold(TEXT, {"piece": "b"}, SCENE)[0], {"piece": "a"}, SCENE)[0]
    for number in (2, -1):
        with pytest.raises(BadSettings, match="not said"):
            take_back(text, {"kind": "hold", "number": number}, SCENE)
    with pytest.raises(BadSettings, match="not said"):
        take_back(text, {"kind": "apart", "number": 0}, SCENE)
    text, words = take_back(text, {"kind": "hold", "number": 0}, SCENE)
    assert words == "taken back: b.tif does not move" and said(text).hold == (Hold("a.tif"),)
    text, words = take_back(text, {"kind": "hold", "number": 0}, SCENE)
    assert words == "taken back: a.tif does not move" and said(text) == Hints()
    assert "hold" not in text


def test_all_that_was_said_in_words() -> None:
    text = TEXT + (
        "[join.hints]\n"
        'same_point = [{a = "a", a_at = [1, 2], b = "b", b_at = [3, 4]}]\n'
        'apart = [{a = "a", b = "b"}, {a = "b", b = "c"}]\n'
        'together = [{a = "a", b = "b"}]\n'
        'show = [{piece = "a", around = []}]\n'
        'leave_out = [{piece = "c"}]\n'
        'near = [{piece = "a", at = [1, 2]}, "b 3,4"]\n'
        'turn = [{piece = "a", degrees = 90}]\n'
        "grid = 3\n"
    )
    assert [(one["kind"], one["number"], one["words"]) for one in all_said(text)] == [
        ("same_point", 0, "the same spot in a and b"),
        ("apart", 0, "a and b share nothing"),
        ("apart", 1, "b and c share nothing"),
        ("together", 0, "a and b overlap"),
        ("show", 0, "a is shown in an area"),
        ("leave_out", 0, "c takes no part"),
        ("near", 0, "a lies about there"),
        ("near", 1, "near: b 3,4"),
        ("turn", 0, "turn: piece a, degrees 90"),
    ]
    assert all_said(TEXT) == [] and all_said("[join]\nhints = 3\n") == []
