"""I am the acts by which a person says of pieces what the program cannot know: entries of the table [join.hints].

In: the text of a job file, what was pointed at, what ids stand for. Out: the changed text and a sentence; all that was
said so far, in words.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stitchbed.core.errors import BadSettings
from stitchbed.desk.job.text import value_at, with_value, without

if TYPE_CHECKING:
    from stitchbed.desk.job.acts import Scene

Taken = Mapping[str, Any]

TABLE = ("join", "hints")
MOST_CORNERS = 200  # of an area; one drawn by hand has some dozen


def same_point(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    """A point of one piece and a point of another show the same spot; px of each."""
    a, b = _name(taken["a"], scene), _name(taken["b"], scene)
    if a == b:
        raise BadSettings("one piece twice", expected="two pieces", attempt="another piece above")
    entry = {"a": a, "a_at": _point(taken["a_at"]), "b": b, "b_at": _point(taken["b_at"])}
    return _added(text, "same_point", entry), f"the same spot marked in {a} and {b}"


def apart(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    """Two pieces share nothing."""
    a, b = _name(taken["a"], scene), _name(taken["b"], scene)
    return _added(text, "apart", {"a": a, "b": b}), f"{a} and {b} share nothing"


def together(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    """Two pieces overlap."""
    a, b = _name(taken["a"], scene), _name(taken["b"], scene)
    return _added(text, "together", {"a": a, "b": b}), f"{a} and {b} overlap"


def hold(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    """A piece does not move: the others are moved to it."""
    name = _name(taken["piece"], scene)
    return _added(text, "hold", {"piece": name}), f"{name} held"


def near(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    """A piece lies about there: at mm of another one (from its top left corner) its middle, turned so many degrees
    against it. What was said of the piece's place before holds no more."""
    name, of = _name(taken["piece"], scene), _name(taken["of"], scene)
    if name == of:
        raise BadSettings("one piece twice", expected="a place on another piece", attempt="moving it over another one")
    if not _is_number(taken["turn"]):
        raise BadSettings(f"a turn of {taken['turn']!r}", expected="degrees", attempt="moving it again")
    entry = {"piece": name, "at": _point(taken["at"]), "turn": round(float(taken["turn"]), 2), "of": of}
    before = value_at(text, (*TABLE, "near"), [])
    others = [one for one in before if not (isinstance(one, Mapping) and one.get("piece") == name)]
    return with_value(text, (*TABLE, "near"), [*others, entry]), f"{name} put where it belongs, beside {of}"


def show(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    """Within an area of the sheet a piece is shown. around : corners, mm."""
    name, corners = _name(taken["piece"], scene), taken["around"]
    if not 3 <= len(corners) <= MOST_CORNERS:
        raise BadSettings(f"an area of {len(corners)} corners", expected="three or more", attempt="drawing it again")
    return _added(text, "show", {"piece": name, "around": [_point(one) for one in corners]}), f"{name} shown there"


def take_back(text: str, taken: Taken, scene: Scene) -> tuple[str, str]:
    """One thing that was said is said no more. number : among those of its kind, from 0."""
    entries = value_at(text, (*TABLE, taken["kind"]), [])
    if not 0 <= taken["number"] < len(entries):
        raise BadSettings("something that was not said", expected="one of the list", attempt="a fresh page")
    rest = entries[: taken["number"]] + entries[taken["number"] + 1 :]
    keys = (*TABLE, taken["kind"])
    return (
        with_value(text, keys, rest) if rest else without(text, keys)
    ), f"taken back: {_words(taken['kind'], entries[taken['number']])}"


def all_said(text: str) -> list[dict[str, Any]]:
    """What was said so far: kind, number among its kind, words."""
    told = value_at(text, TABLE, {})
    return [
        {"kind": kind, "number": number, "words": _words(kind, entry)}
        for kind, entries in (told.items() if isinstance(told, Mapping) else ())
        for number, entry in enumerate(entries if isinstance(entries, list) else [])
    ]


def _words(kind: str, entry: Any) -> str:
    """Entries written by hand may be of any form: they are shown as they are."""
    if not isinstance(entry, Mapping):
        return f"{kind}: {entry}"
    a, b, piece = (str(entry.get(key, "")) for key in ("a", "b", "piece"))
    return {
        "same_point": f"the same spot in {a} and {b}",
        "apart": f"{a} and {b} share nothing",
        "together": f"{a} and {b} overlap",
        "near": f"{piece} lies about there, beside {entry.get('of')}"
        if entry.get("of")
        else f"{piece} lies about there",
        "hold": f"{piece} does not move",
        "show": f"{piece} is shown in an area",
        "leave_out": f"{piece} takes no part",
    }.get(kind, f"{kind.replace('_', ' ')}: {', '.join(f'{key} {value}' for key, value in entry.items())}")


def _added(text: str, kind: str, entry: dict[str, Any]) -> str:
    entries = value_at(text, (*TABLE, kind), [])
    return text if entry in entries else with_value(text, (*TABLE, kind), [*entries, entry])


def _name(id: object, scene: Scene) -> str:
    piece = scene.pieces.get(str(id))
    if piece is None:
        raise BadSettings("a piece that is not in this job", expected="one of its pieces", attempt="a fresh page")
    return Path(piece.path).name


def _point(value: object) -> list[float]:
    if not isinstance(value, list) or len(value) != 2 or not all(_is_number(one) for one in value):
        raise BadSettings(f"a point {value!r}", expected="two numbers", attempt="pointing again")
    return [round(float(one), 2) for one in value]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and abs(value) < 1e7
