"""I write the pages of the desk with Jinja2; every word that comes from files or records is escaped.

In: a session, a stop. Out: HTML.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stitchbed.core.record import VERSION
from stitchbed.desk.guide.drawings import drawing
from stitchbed.desk.guide.topics import TOPICS, topic_of
from stitchbed.desk.job.pieces import endings
from stitchbed.desk.job.said import all_said
from stitchbed.desk.job.text import value_at
from stitchbed.desk.look.mats import mat_of
from stitchbed.desk.stops import BY_NAME, Stop, of_steps

if TYPE_CHECKING:
    from jinja2 import Environment

    from stitchbed.desk.session import Session

# what to try as a button: class of the error -> (words, act, what it takes)
REMEDIES: dict[str, list[tuple[str, str, dict[str, Any]]]] = {
    "MixedTiles": [
        ("Take the first profile", "set", {"step": "join", "path": ["assume_profile"], "value": "first"}),
        ("Go on without profiles", "set", {"step": "join", "path": ["assume_profile"], "value": "none"}),
    ],
    "Disconnected": [
        (
            "Go on without what finds no place",
            "set",
            {"step": "join", "path": ["survey", "allow_missing"], "value": True},
        ),
    ],
    "UnreadableTile": [
        (
            "Go on without files that cannot be read",
            "set",
            {"step": "join", "path": ["allow_unreadable"], "value": True},
        ),
    ],
}


def frame(session: Session, name: str, page: str = "") -> str:
    """The page of a stop; "" where the job has no such stop, or no such page. page : of a job of single pages."""
    stops, leaves = session.stops(), [one.name for one in session.job.pages()]
    here = next((one for one in stops if one.stop.name == name), None)
    if here is None or (page and page not in leaves):
        return ""
    stop, told, page = here.stop, session.job.history(), page or next(iter(leaves), "")
    return written(
        "frame.html",
        version=VERSION,
        name=session.job.name(),
        stop=stop,
        stops=stops,
        here=here,
        running=session.running,
        seconds=0 if session.running is None else round(time.monotonic() - session.running.since),
        running_title="" if session.running is None else BY_NAME[session.running.stop].title,
        trouble=session.trouble.get(name),
        remedies=_remedies(session, name),
        undoes=told.undoes,
        redoes=told.redoes,
        saved=told.versions[told.place].at[11:16] if told.versions else "",
        said=list(reversed(told.versions[: told.place + 1]))[:12],
        mat=mat_of(session, stop, stops, page),
        side=_side(session, stop, page),
        next=_next(stop, [one.stop for one in stops]),
        page=page,
    )


def guide_page(name: str) -> str:
    """A page of the guide.

    Raises
    ------
    BadSettings : there is none of that name.
    """
    topic = topic_of(name)
    parts = [(part, drawing(part.picture)) for part in topic.parts]
    return written("guide.html", topic=topic, topics=list(TOPICS.values()), parts=parts)


def written(template: str, **values: Any) -> str:
    """A template with values, escaped; a value that is missing is an error."""
    return _room().get_template(template).render(values)


@cache
def _room() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("stitchbed.desk")
    room = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    room.policies["json.dumps_kwargs"] = {"ensure_ascii": False, "separators": (",", ":"), "allow_nan": False}
    room.filters["first_up"] = first_up
    return room


def first_up(words: str) -> str:
    """A sentence with its first letter large; names in it stay as they are."""
    return words[:1].upper() + words[1:]


def _remedies(session: Session, name: str) -> list[tuple[str, str, dict[str, Any]]]:
    trouble = session.trouble.get(name)
    found = REMEDIES.get(trouble.kind, []) if trouble is not None and name == "canvas" else []
    return [one for one in found if "step" in one[2]]


def _next(stop: Stop, line: Sequence[Stop]) -> Stop | None:
    return next((after for before, after in pairwise(line) if before is stop), None)


def _side(session: Session, stop: Stop, page: str) -> Mapping[str, Any]:
    """What the side column of a stop shows besides its state."""
    text = session.job.text()
    if stop.name == "pieces":
        return {
            "watched": value_at(text, ("desk", "watched")),
            "sheet": value_at(text, ("desk", "sheet_mm")),
            "bed": value_at(text, ("desk", "bed_mm")),
            "folder": str(session.job.folder),
            "endings": endings(),
            "coming": session.job.coming(),
        }
    if not stop.steps:
        return {"said": all_said(text)}
    from stitchbed.desk.look.fields import fields_of

    rows = {row["step"]: row for row in session.job.rows(page)}
    steps = []
    for step in stop.steps:
        table = value_at(text, step.split("."))
        fields = fields_of(step, table) if isinstance(table, dict) else []
        row = rows.get(step, {"outputs": [], "warnings": [], "state": "not begun"})
        outputs = [Path(one).name for one in row["outputs"]]
        steps.append({"name": step, "asked": table is not None, "fields": fields, "outputs": outputs,
            "warnings": row["warnings"], "state": row["state"]})  # fmt: skip
    pieces = [one for one in session.job.pieces() if not one.left_out] if stop.name == "canvas" else []
    leaves = [{"name": one.name, "state": _state_of(session, stop, one.name)} for one in session.job.pages()]
    return {"steps": steps, "pieces": pieces, "pages": leaves, "out": str(value_at(text, ("out",), "out"))}


def _state_of(session: Session, stop: Stop, page: str) -> str:
    return of_steps(stop, [row for row in session.job.rows(page) if row["step"] in stop.steps]).state
