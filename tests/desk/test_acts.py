"""I check each act of the table: what it changes in a job file, byte for byte, and what it refuses."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from stitchbed.core.errors import BadSettings
from stitchbed.desk.job.acts import ACTS, Scene, done
from stitchbed.desk.job.pieces import Piece
from stitchbed.jobs.job_file import job_of
from stitchbed.jobs.steps import STEPS

TEXT = """\
# mine, and to stay
name = "map"
pieces = ["pieces"]  # all of them
out = "out"

[join]
outside = "paper"   # not see-through
# dpi = 600

[strange]
kept = true

[export.web]
px = 1600           # longest side
"""
END = TEXT.rstrip("\n").splitlines()[-1] + "\n"
GONE = TEXT.replace('out = "out"\n', 'out = "out"\nleave_out = ["pieces/a.tif"]\n')
TURNED = TEXT + '\n[desk]\nturned."pieces/a.tif" = 3\n'
NEAR = {"piece": "one", "of": "two", "at": [12.345, 7], "turn": -0.5}
PUT = 'hints.near = [\n    {piece = "a.tif", at = [12.35, 7.0], turn = -0.5, of = "b.tif"},\n]'


def _said(lines: str) -> str:
    return TEXT.replace("# dpi = 600\n", f"# dpi = 600\n{lines}\n")


def _scene(folder: Path, turn: int = 0) -> Scene:
    piece = Piece("one", "a.tif", folder / "pieces" / "a.tif", False, turn, "s")
    for name in ("pieces", "more"):
        (folder / name).mkdir(exist_ok=True)
    other = Piece("two", "b.tif", folder / "pieces" / "b.tif", False, 0, "s")
    return Scene(folder, {"one": piece, "two": other}, {"more": folder / "more", "lost": folder / "lost"})


ROWS: list[tuple[str, dict[str, Any], str, str, str]] = [
    ("leave_out", {"piece": "one"}, TEXT, GONE, "a.tif left out"),
    ("leave_out", {"piece": "one"}, GONE, GONE, "a.tif left out"),
    ("take_in", {"piece": "one"}, GONE, TEXT, "a.tif taken in again"),
    ("turn", {"piece": "one", "quarters": 3}, TEXT, TURNED, "a.tif turned for looking"),
    ("turn", {"piece": "one", "quarters": 4}, TURNED, TURNED.replace('turned."pieces/a.tif" = 3\n', ""), "turned"),
    ("add_folder", {"folder": "more"}, TEXT, TEXT.replace('["pieces"]', '["pieces", "more"]'), "more added"),
    (
        "watch",
        {"folder": "more"},
        TEXT,
        TEXT.replace('["pieces"]', '["pieces", "more"]') + '\n[desk]\nwatched = "more"\n',
        "more watched",
    ),
    ("stop_watching", {}, TEXT + '\n[desk]\nwatched = "more"\n', TEXT + "\n[desk]\n", "watching ended"),
    (
        "sheet",
        {"size": "594 x 420.5 mm"},
        TEXT,
        TEXT + "\n[desk]\nsheet_mm = [594.0, 420.5]\n",
        "594 x 420.5 mm",
    ),
    ("bed", {"size": "216x297"}, TEXT, TEXT + "\n[desk]\nbed_mm = [216.0, 297.0]\n", "216 x 297 mm"),
    ("do_step", {"step": "clean"}, TEXT, TEXT + "\n[clean]\n", "clean is to be done"),
    ("do_step", {"step": "export.print"}, TEXT, TEXT + "\n[export.print]\n", "export.print is to be done"),
    ("do_step", {"step": "join"}, TEXT, TEXT, "join is to be done"),
    (
        "skip_step",
        {"step": "export.web"},
        TEXT,
        TEXT.replace("\n[export.web]\npx = 1600           # longest side\n", "\n"),
        "not to be done",
    ),
    ("set", {"step": "export.web", "path": ["px"], "value": 900}, TEXT, TEXT.replace("1600", "900"), "px = 900"),
    (
        "set",
        {"step": "join", "path": ["outside"], "value": None},
        TEXT,
        TEXT.replace('outside = "paper"   # not see-through\n', ""),
        "as usual",
    ),
    (
        "set",
        {"step": "join", "path": ["survey", "allow_missing"], "value": True},
        TEXT,
        TEXT.replace("# dpi = 600\n", "# dpi = 600\nsurvey.allow_missing = true\n"),
        "allow_missing = yes",
    ),
    (
        "set",
        {"step": "clean", "path": ["dust", "strength"], "value": "eager"},
        TEXT,
        TEXT + '\n[clean]\ndust.strength = "eager"\n',
        "clean.dust.strength = eager",
    ),
    (
        "same_point",
        {"a": "one", "a_at": [12.345, 7], "b": "two", "b_at": [1, 2]},
        TEXT,
        TEXT.replace(
            "# dpi = 600\n",
            "# dpi = 600\nhints.same_point = [\n"
            '    {a = "a.tif", a_at = [12.35, 7.0], b = "b.tif", b_at = [1.0, 2.0]},\n]\n',
        ),
        "marked in a.tif and b.tif",
    ),
    ("apart", {"a": "one", "b": "two"}, TEXT, _said('hints.apart = [\n    {a = "a.tif", b = "b.tif"},\n]'), "nothing"),
    (
        "together",
        {"a": "one", "b": "two"},
        TEXT,
        _said('hints.together = [\n    {a = "a.tif", b = "b.tif"},\n]'),
        "overlap",
    ),
    ("hold", {"piece": "two"}, TEXT, _said('hints.hold = [\n    {piece = "b.tif"},\n]'), "b.tif held"),
    ("near", NEAR, TEXT, _said(PUT), "a.tif put where it belongs, beside b.tif"),
    ("near", NEAR, _said(PUT.replace("12.35", "99.0")), _said(PUT), "a.tif put"),  # where it was put before is over
    (
        "show",
        {"piece": "one", "around": [[0, 0], [9, 0], [9, 9]]},
        TEXT,
        _said('hints.show = [\n    {piece = "a.tif", around = [[0.0, 0.0], [9.0, 0.0], [9.0, 9.0]]},\n]'),
        "a.tif shown",
    ),
    (
        "take_back",
        {"kind": "hold", "number": 0},
        _said('hints.hold = [\n    {piece = "b.tif"},\n]'),
        TEXT,
        "does not move",
    ),
    ("name", {"name": "harbor"}, TEXT, TEXT.replace('"map"', '"harbor"'), "harbor"),
]


@pytest.mark.parametrize(("name", "taken", "before", "after", "sentence"), ROWS)
def test_an_act_changes_this_and_nothing_else(
    name: str, taken: dict[str, Any], before: str, after: str, sentence: str, tmp_path: Path
) -> None:
    text, said = done(before, name, taken, _scene(tmp_path))
    assert text == after
    assert sentence in said


def test_every_act_has_a_row() -> None:
    assert {row[0] for row in ROWS} == set(ACTS)


@pytest.mark.parametrize(
    ("name", "taken"),
    [
        ("burn", {}),
        ("leave_out", {}),
        ("leave_out", {"piece": "../../etc/passwd"}),
        ("leave_out", {"piece": "one", "path": "/etc"}),
        ("turn", {"piece": "one", "quarters": True}),
        ("turn", {"piece": "one", "quarters": "1"}),
        ("add_folder", {"folder": "/etc"}),
        ("add_folder", {"folder": "lost"}),
        ("sheet", {"size": "-1x2"}),
        ("sheet", {"size": "nan x 2"}),
        ("sheet", {"size": 3}),
        ("do_step", {"step": "desk"}),
        ("set", {"step": "join", "path": [], "value": 1}),
        ("set", {"step": "join", "path": ["a b"], "value": 1}),
        ("same_point", {"a": "one", "a_at": [1, 2], "b": "one", "b_at": [1, 2]}),
        ("same_point", {"a": "one", "a_at": [1], "b": "two", "b_at": [1, 2]}),
        ("same_point", {"a": "one", "a_at": [1, float("inf")], "b": "two", "b_at": [1, 2]}),
        ("apart", {"a": "one", "b": "../x"}),
        ("show", {"piece": "one", "around": [[0, 0], [1, 1]]}),
        ("near", {**NEAR, "of": "one"}),
        ("near", {**NEAR, "turn": float("nan")}),
        ("near", {**NEAR, "turn": True}),
        ("near", {**NEAR, "at": [1, 2, 3]}),
        ("take_back", {"kind": "hold", "number": 0}),
        ("name", {"name": "../up"}),
        ("name", {"name": ".hidden"}),
        ("name", {"name": "a\nb"}),
    ],
)
def test_what_no_page_sends_is_refused(name: str, taken: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(BadSettings):
        done(TEXT, name, taken, _scene(tmp_path))


def test_a_job_file_of_the_desk_is_one_for_run(tmp_path: Path) -> None:
    """Words and tables the desk writes are known to `run`, and what is left out is not among its pieces."""
    for name in ("a.tif", "b.tif"):
        (tmp_path / "pieces").mkdir(exist_ok=True)
        (tmp_path / "pieces" / name).write_bytes(b"II*\0")
    text = GONE.replace("[strange]\nkept = true\n\n", "") + '\n[desk]\nwatched = "more"\n'
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    job = job_of(tmp_path, list(STEPS))
    assert [one.name for one in job.pieces] == ["b.tif"]
    assert list(job.tables) == ["join", "export.web"]
    (tmp_path / "job.toml").write_text(text.replace('"pieces/a.tif"', '"pieces/a.tif", "pieces/b.tif"'))
    with pytest.raises(BadSettings, match="every piece left out"):
        job_of(tmp_path, list(STEPS))
