"""I say what lies on the mat of a stop: cards of pieces, pieces where they lie, or a picture with its overlays.

In: a session, a stop. Out: plain values for the page and its scripts; pictures by ids.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stitchbed.core.errors import StitchbedError
from stitchbed.core.record import found_notes
from stitchbed.desk.job.pieces import Facts, Piece
from stitchbed.desk.look.layout import laid_out
from stitchbed.desk.look.marks import marks_of
from stitchbed.desk.stops import Standing, Stop

if TYPE_CHECKING:
    from stitchbed.desk.session import Session

VERDICTS = {"good": "good", "usable": "can be used", "redo": "scan again"}


def mat_of(session: Session, stop: Stop, stops: Sequence[Standing]) -> dict[str, Any]:
    """kind : "cards", "layers", "picture" or "empty", with what it needs."""
    if stop.name == "pieces":
        return {"kind": "cards", "cards": cards(session), "set": _set_findings(session), "notes": _notes(session)}
    if stop.name == "placing":
        return layers(session)
    return picture(session, stop)


def cards(session: Session) -> list[dict[str, Any]]:
    """A card for each piece: small picture, facts, verdict, what is wrong and where."""
    checked = session.checked()
    rows = {} if checked is None else {str(row["path"]): row for row in checked["record"]["pieces"]}
    found = []
    for piece in session.pieces():
        facts, row = session.facts(piece), rows.get(str(piece.path))
        findings = [] if row is None or piece.left_out else row["findings"]
        verdict = "" if row is None or piece.left_out else row["verdict"]
        found.append(
            {
                **_shown(session, piece, facts),
                "facts": facts,
                "left_out": piece.left_out,
                "verdict": verdict,
                "verdict_words": "left out" if piece.left_out else VERDICTS.get(verdict, "not looked at yet"),
                "findings": findings,
                "marks": marks_of(findings, row, facts) if row is not None and findings else [],
            }
        )
    return found


def layers(session: Session) -> dict[str, Any]:
    """The pieces where they lie, from their small views."""
    laid, checked = session.placed(), session.checked()
    pieces = {str(one.path): one for one in session.pieces() if not one.left_out}
    if laid is not None:
        return _as_joined(session, laid, {one.name: one for one in pieces.values()})
    if checked is None or not pieces:
        return {"kind": "empty", "words": "Pieces are placed as soon as they were looked at."}
    names = {row["name"]: pieces.get(str(row["path"])) for row in checked["record"]["pieces"]}
    placed = []
    for row in checked["record"].get("placements", []):
        piece = names.get(row["tile"])
        if piece is not None and not session.facts(piece).error:
            placed.append({**_shown(session, piece, session.facts(piece)), **row})
    if not placed:
        return {"kind": "empty", "words": "No piece has a place yet."}
    return {"kind": "layers", "data": laid_out(placed)}


def _as_joined(session: Session, record: Mapping[str, Any], pieces: Mapping[str, Piece]) -> dict[str, Any]:
    """The pieces where a join would lay them, and how its links agree."""
    placed = []
    for row in record["placements"]:
        piece = pieces.get(row["tile"])
        if piece is not None:
            motion = {"sheet_from_tile": row["canvas_from_tile"], "island": 0, "tile": row["tile"]}
            placed.append({**_shown(session, piece, session.facts(piece)), **motion})
    links = sorted(record["links"] or [], key=lambda one: -(one.get("rms_px") or 0))
    said = {"links": links, "effects": record["hints"] or [], "notes": record["warnings"] or []}
    return {"kind": "layers", "data": laid_out(placed, upright=False), **said}


def picture(session: Session, stop: Stop) -> dict[str, Any]:
    """The last picture the stop's steps made, or the newest one before them, with its overlays."""
    rows = session.rows()
    own = [row for row in rows if row["step"] in stop.steps]
    for row in reversed(own):
        for path in map(Path, row["outputs"]):
            with suppress(StitchbedError, OSError):
                return _picture(session, path, f"{row['step']}: {path.name}", stale=row["state"] == "changed")
    for row in reversed(rows[: next((n for n, row in enumerate(rows) if row["step"] in stop.steps), len(rows))]):
        for path in map(Path, row["outputs"]):
            if path.suffix == ".tif":
                with suppress(StitchbedError, OSError):
                    return _picture(session, path, path.name, stale=False) | {"before": True}
    return {"kind": "empty", "words": "Nothing to see here until it is done."}


def _picture(session: Session, path: Path, words: str, *, stale: bool) -> dict[str, Any]:
    opened = session.pictures.picture(path)
    id, stamp = session.pictures.known(path)
    record = _record(path)
    shapes = _shapes(record, path, (opened.width, opened.height))
    from stitchbed.report.overlays import HEAT_STEPS

    data = {
        "id": id, "stamp": stamp, "width": opened.width, "height": opened.height, "halvings": opened.halvings,
        "dpi": opened.dpi, "words": words, "shapes": {**shapes, "steps": HEAT_STEPS} if shapes else {},
    }  # fmt: skip
    return {"kind": "picture", "words": words, "stale": stale, "data": data, "overlays": _overlays(shapes)}


def _record(path: Path) -> dict[str, Any]:
    with suppress(OSError, ValueError):
        content = json.loads(found_notes(path).read_text(encoding="utf-8"))
        if isinstance(content, dict):
            return content
    return {}


def _shapes(record: Mapping[str, Any], path: Path, size: tuple[int, int]) -> dict[str, Any]:
    from stitchbed.report.overlays import overlay_shapes
    from stitchbed.report.records import page_record

    return overlay_shapes(page_record(record, path), path, size) if record else {}


def _overlays(shapes: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Overlays that have something to show: name, words."""
    from stitchbed.report.page import OVERLAYS

    filled = {**shapes, "heat": (shapes.get("heat") or {}).get("cells")}
    return [(name, words) for name, words in OVERLAYS.items() if filled.get(name)]


def _set_findings(session: Session) -> list[dict[str, Any]]:
    checked = session.checked()
    if checked is None or checked["mark"] != session.mark():
        return []
    return list(checked["record"]["set"]["findings"])


def _notes(session: Session) -> list[str]:
    """What the last look at these pieces said besides: files left out, and why."""
    checked = session.checked()
    return [] if checked is None or checked["mark"] != session.mark() else list(checked["record"]["warnings"])


def _shown(session: Session, piece: Piece, facts: Facts) -> dict[str, Any]:
    id, stamp = session.pictures.known(piece.path)
    return {
        "id": id, "stamp": stamp, "name": piece.name, "turn": piece.turn,
        "width": facts.width, "height": facts.height, "halvings": facts.halvings, "dpi": facts.dpi,
    }  # fmt: skip
