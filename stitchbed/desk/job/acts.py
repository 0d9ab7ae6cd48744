"""I am the table of acts: what a person can do to a job on the desk, as changes of the text of its job file.

In: the text, what the act takes (checked), and what ids stand for. Out: the changed text, and a sentence of it.
One row, one test: `tests/desk/test_acts.py` sweeps the table.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import size_mm
from stitchbed.desk.job import said
from stitchbed.desk.job.pieces import Piece, name_in
from stitchbed.desk.job.text import sources_key, value_at, with_table, with_value, without
from stitchbed.jobs.steps import STEPS


@dataclass(frozen=True)
class Scene:
    """What ids stand for. folder : the job's. pieces, folders : by id."""

    folder: Path
    pieces: Mapping[str, Piece]
    folders: Mapping[str, Path]


Taken = Mapping[str, Any]
Change = Callable[[str, Taken, Scene], tuple[str, str]]


@dataclass(frozen=True)
class Act:
    """takes : name -> type of what must be said. change : (text, taken, scene) -> (text, sentence)."""

    takes: Mapping[str, type]
    change: Change


def done(text: str, name: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    """The text after the act of a name, and the sentence of it.

    Raises
    ------
    BadSettings : no such act, something it needs is missing or of another type, an unknown id.
    """
    act = ACTS.get(name)
    if act is None:
        raise BadSettings(f"an act called {name[:40]!r}", expected=f"one of {', '.join(ACTS)}", attempt="the buttons")
    for key, kind in act.takes.items():
        value = taken.get(key)
        if not (kind is object or isinstance(value, kind)) or (isinstance(value, bool) and kind is int):
            raise BadSettings(f"{key} = {value!r} for {name}", expected=kind.__name__, attempt="the buttons")
    extra = [key for key in taken if key not in act.takes]
    if extra:
        raise BadSettings(f"{extra[0]!r} for {name}", expected=f"{', '.join(act.takes)}", attempt="the buttons")
    return act.change(text, taken, scene)


def _leave_out(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    piece = _piece(taken, scene)
    gone = value_at(text, ("leave_out",), [])
    name = name_in(piece.path, scene.folder)
    return with_value(text, ("leave_out",), [*gone, *([] if name in gone else [name])]), f"{piece.name} left out"


def _take_in(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    piece = _piece(taken, scene)
    name = name_in(piece.path, scene.folder)
    rest = [one for one in value_at(text, ("leave_out",), []) if one != name]
    sentence = f"{piece.name} taken in again"
    return (with_value(text, ("leave_out",), rest) if rest else without(text, ("leave_out",))), sentence


def _turn(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    piece = _piece(taken, scene)
    keys, turn = ("desk", "turned", name_in(piece.path, scene.folder)), (piece.turn + taken["quarters"]) % 4
    sentence = f"{piece.name} turned for looking"
    return (with_value(text, keys, turn) if turn else without(text, keys)), sentence


def _add_folder(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    path = _folder(taken, scene)
    return with_source(text, path, scene.folder), f"the pieces in {path.name} added"


def with_source(text: str, path: Path, folder: Path) -> str:
    """The text with one more folder of pieces; a folder that is not there, as of pieces that were never dropped, goes,
    for a job that names it cannot be done."""
    key = (sources_key(text),)
    sources, name = value_at(text, key, ["."]), name_in(path, folder)
    kept = [one for one in sources if one == name or not isinstance(one, str) or (folder / one).exists()]
    if name in sources and kept == sources:
        return text
    return with_value(text, key, list(dict.fromkeys([*kept, name])))


def _watch(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    path = _folder(taken, scene)
    text, _ = _add_folder(text, taken, scene)
    return with_value(text, ("desk", "watched"), name_in(path, scene.folder)), f"{path.name} watched"


def _stop_watching(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    return without(text, ("desk", "watched")), "watching ended"


def _sheet(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    width, height = size_mm(taken["size"], option="the sheet")
    return with_value(text, ("desk", "sheet_mm"), [width, height]), f"the sheet is {width:g} x {height:g} mm"


def _bed(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    width, height = size_mm(taken["size"], option="the bed")
    return with_value(text, ("desk", "bed_mm"), [width, height]), f"the scanner's bed is {width:g} x {height:g} mm"


def _do_step(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    step = _step(taken)
    if step == ("join",) and sources_key(text) == "pages":
        raise BadSettings(
            "[join] in a job of single pages", expected="another step", attempt="a job of its own for pieces"
        )
    return with_table(text, step), f"{taken['step']} is to be done"


def _skip_step(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    return without(text, _step(taken)), f"{taken['step']} is not to be done"


def _set(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    """A setting of a step; null takes it out. Whether the value fits is looked at by whoever knows the settings."""
    keys = (*_step(taken), *_path(taken))
    if taken["value"] is None:
        return without(text, keys), f"{'.'.join(keys)} as usual"
    return with_value(text, keys, taken["value"]), f"{'.'.join(keys)} = {_shown(taken['value'])}"


def _name(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    name = taken["name"].strip()
    if not name or name != Path(name).name or name.startswith(".") or not name.isprintable():
        raise BadSettings(f"name = {name[:80]!r}", expected="a word files can be called by", attempt="letters")
    return with_value(text, ("name",), name), f"the job is called {name}"


ACTS: dict[str, Act] = {
    "leave_out": Act({"piece": str}, _leave_out),
    "take_in": Act({"piece": str}, _take_in),
    "turn": Act({"piece": str, "quarters": int}, _turn),
    "add_folder": Act({"folder": str}, _add_folder),
    "watch": Act({"folder": str}, _watch),
    "stop_watching": Act({}, _stop_watching),
    "sheet": Act({"size": str}, _sheet),
    "bed": Act({"size": str}, _bed),
    "do_step": Act({"step": str}, _do_step),
    "skip_step": Act({"step": str}, _skip_step),
    "set": Act({"step": str, "path": list, "value": object}, _set),
    "name": Act({"name": str}, _name),
    "same_point": Act({"a": str, "a_at": list, "b": str, "b_at": list}, said.same_point),
    "apart": Act({"a": str, "b": str}, said.apart),
    "together": Act({"a": str, "b": str}, said.together),
    "hold": Act({"piece": str}, said.hold),
    "near": Act({"piece": str, "of": str, "at": list, "turn": object}, said.near),
    "show": Act({"piece": str, "around": list}, said.show),
    "take_back": Act({"kind": str, "number": int}, said.take_back),
}


def _piece(taken: Taken, scene: Scene) -> Piece:
    piece = scene.pieces.get(taken["piece"])
    if piece is None:
        raise BadSettings(
            "a piece that is not in this job", expected="one of its pieces", attempt="loading the page anew"
        )
    return piece


def _folder(taken: Taken, scene: Scene) -> Path:
    path = scene.folders.get(taken["folder"])
    if path is None or not path.is_dir():
        raise BadSettings("a folder that was not shown", expected="one of those listed", attempt="choosing it again")
    return path


def _step(taken: Taken) -> tuple[str, ...]:
    if taken["step"] not in STEPS:
        raise BadSettings(
            f"a step {taken['step'][:40]!r}", expected=f"one of {', '.join(STEPS)}", attempt="the buttons"
        )
    return tuple(taken["step"].split("."))


def _path(taken: Taken) -> tuple[str, ...]:
    path = taken["path"]
    if not path or not all(isinstance(one, str) and one.isidentifier() for one in path):
        raise BadSettings("a setting without a name", expected="the name of a setting", attempt="the fields shown")
    return tuple(path)


def _shown(value: object) -> str:
    if isinstance(value, list):
        return ", ".join(map(_shown, value))
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else f"{value}"
