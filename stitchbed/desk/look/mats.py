"""I say what lies on the mat of a stop: cards of pieces, pieces where they lie, or a picture with its overlays.

In: a session, a stop. Out: plain values for the page and its scripts; pictures by ids.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stitchbed.core.errors import StitchbedError
from stitchbed.desk.job.pieces import Facts, Piece
from stitchbed.desk.job.text import value_at
from stitchbed.desk.look.layout import flat, laid_out, put_near
from stitchbed.desk.look.marks import marks_of
from stitchbed.desk.look.places import Known, entries_of, record_of
from stitchbed.desk.stops import Standing, Stop
from stitchbed.jobs.steps import STEPS

if TYPE_CHECKING:
    from stitchbed.desk.session import Session

ON_PAPER = ("lines",)  # steps whose results are ink and nothing else: it is judged on white
VERDICTS = {"good": "good", "usable": "can be used", "redo": "scan again"}


def mat_of(session: Session, stop: Stop, stops: Sequence[Standing], page: str = "") -> dict[str, Any]:
    """page : the one to look at, of a job of single pages.

    kind : "cards", "layers", "picture" or "empty", with what it needs."""
    if stop.name == "pieces":
        return {"kind": "cards", "cards": cards(session), "set": _set_findings(session), "notes": _notes(session)}
    if stop.name == "placing":
        return layers(session)
    return picture(session, stop, page)


def cards(session: Session) -> list[dict[str, Any]]:
    """A card for each piece: small picture, facts, verdict, what is wrong and where."""
    checked = session.job.checked()
    rows = {} if checked is None else {str(row["path"]): row for row in checked["record"]["pieces"]}
    found = []
    for piece in session.job.pieces():
        facts, row = session.job.facts(piece), rows.get(str(piece.path))
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
    """The pieces where they lie, from their small views, by the best that is known."""
    known, checked = session.job.known(), session.job.laid()
    pieces = {str(one.path): one for one in session.job.pieces() if not one.left_out}
    rows = {} if checked is None else {str(row["path"]): row for row in checked["record"]["pieces"]}
    if known is not None:
        return _as_laid(session, known, {one.name: one for one in pieces.values()}, rows)
    if checked is None or not pieces:
        return {"kind": "empty", "words": "Pieces are placed as soon as they were looked at."}
    names = {row["name"]: pieces.get(path) for path, row in rows.items()}
    placed = []
    for row in checked["record"].get("placements", []):
        piece = names.get(row["tile"])
        if piece is not None and not session.job.facts(piece).error:
            placed.append({**_layer(session, piece, rows), **row})
    if not placed:
        return {"kind": "empty", "words": "No piece has a place yet."}
    said = [hint for kind, hint in entries_of(value_at(session.job.text(), ("join", "hints"), {})) if kind == "near"]
    data = laid_out(placed)
    nothing: dict[str, Any] = {"links": [], "effects": [], "notes": [], "overlays": []}
    return {"kind": "layers", "data": {**data, "layers": _as_said(data["layers"], said)}, **nothing}


def _as_laid(
    session: Session, known: Known, pieces: Mapping[str, Piece], rows: Mapping[str, Mapping[str, Any]]
) -> dict[str, Any]:
    """The pieces where a join laid them, or would; how its links agree; of a join also its seams and residuals."""
    record, canvas = known.record, known.record["canvas"]
    found = [
        {**_layer(session, pieces[row["tile"]], rows), "matrix": flat(row["canvas_from_tile"])}
        for row in record["placements"] if row["tile"] in pieces
    ]  # fmt: skip
    links = sorted(record["links"] or [], key=lambda one: -(one.get("rms_px") or 0))
    ids = {piece.name: piece.id for piece in pieces.values()}
    told = [{**row, "a_id": ids.get(row["a"]), "b_id": ids.get(row["b"])} for row in links]
    size = round(canvas["width"]), round(canvas["height"])
    shapes = {} if known.canvas is None else _shapes(record, known.canvas, size)
    said = [hint for kind, hint in known.unsaid if kind == "near"]
    data = {
        "width": size[0], "height": size[1], "dpi": canvas["dpi"], "layers": _as_said(found, said),
        "links": told, "shapes": _with_steps({**shapes, "pieces": []} if shapes else {}),
    }  # fmt: skip
    notes = [] if known.canvas is not None else record["warnings"] or []
    return {
        "kind": "layers", "data": data, "links": told, "effects": _effects(record), "notes": notes,
        "overlays": _overlays(shapes | {"pieces": []}),
    }  # fmt: skip


def _effects(record: Mapping[str, Any]) -> list[dict[str, Any]]:
    """What became of each hint; two pieces that both are spoken of are told of once."""
    found = []
    for row in record["hints"] or []:
        pairs = {frozenset((one["a"], one["b"])): one for one in reversed(row["neighbors"])}
        found.append({**row, "neighbors": list(reversed(pairs.values()))})
    return found


def _as_said(layers: Sequence[dict[str, Any]], said: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The layers, those that a hand put somewhere else since there."""
    found = {layer["name"]: layer for layer in layers}
    for hint in said:
        piece, of = found.get(hint.get("piece", "")), found.get(hint.get("of", ""))
        if piece is not None and of is not None and piece["dpi"] and of["dpi"]:
            with suppress(TypeError, ValueError, KeyError):  # written by hand: joining tells what is wrong with it
                found[piece["name"]] = {**piece, "matrix": put_near(piece, of, hint), "put": True}
    return [found[layer["name"]] for layer in layers]


def _layer(session: Session, piece: Piece, rows: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    facts, row = session.job.facts(piece), rows.get(str(piece.path))
    marks = [] if row is None or "findings" not in row else marks_of(row["findings"], row, facts)
    return {**_shown(session, piece, facts), "marks": marks}


def picture(session: Session, stop: Stop, page: str = "") -> dict[str, Any]:
    """The last picture the stop's steps made, or the newest one before them, with its overlays; of a page without any,
    its scan."""
    rows = session.job.rows(page)
    own = [row for row in rows if row["step"] in stop.steps]
    for row in reversed(own):
        for path in map(Path, row["outputs"]):
            with suppress(StitchbedError, OSError):
                told = _picture(session, path, f"{row['step']}: {path.name}", paper=row["step"] in ON_PAPER)
                return told | {"stale": row["state"] == "changed"}
    order = list(STEPS)
    for row in reversed([one for one in rows if order.index(one["step"]) < order.index(stop.steps[0])]):
        for path in map(Path, row["outputs"]):
            if path.suffix == ".tif":
                with suppress(StitchbedError, OSError):
                    return _picture(session, path, path.name) | {"before": True}
    for scan in (one.pieces[0] for one in session.job.pages() if one.name == page):
        with suppress(StitchbedError, OSError):
            return _picture(session, scan, scan.name) | {"before": True}
    return {"kind": "empty", "words": "Nothing to see here until it is done."}


def _picture(session: Session, path: Path, words: str, *, paper: bool = False) -> dict[str, Any]:
    """paper : what the picture does not cover is shown as paper, else as neither paper nor ink."""
    id, stamp = session.pictures.known(path, paper=paper)
    opened = session.pictures.picture(path)
    record = record_of(path)
    shapes = _shapes(record, path, (opened.width, opened.height))
    data = {
        "id": id, "stamp": stamp, "width": opened.width, "height": opened.height, "halvings": opened.halvings,
        "dpi": opened.dpi, "words": words, "shapes": _with_steps(shapes),
    }  # fmt: skip
    return {"kind": "picture", "words": words, "stale": False, "data": data, "overlays": _overlays(shapes)}


def _shapes(record: Mapping[str, Any], path: Path, size: tuple[int, int]) -> dict[str, Any]:
    from stitchbed.report.overlays import overlay_shapes
    from stitchbed.report.records import page_record

    return overlay_shapes(page_record(record, path), path, size) if record else {}


def _with_steps(shapes: Mapping[str, Any]) -> dict[str, Any]:
    from stitchbed.report.overlays import HEAT_STEPS

    return {**shapes, "steps": HEAT_STEPS} if shapes else {}


def _overlays(shapes: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Overlays that have something to show: name, words."""
    from stitchbed.report.page import OVERLAYS

    filled = {**shapes, "heat": (shapes.get("heat") or {}).get("cells")}
    return [(name, words) for name, words in OVERLAYS.items() if filled.get(name)]


def _set_findings(session: Session) -> list[dict[str, Any]]:
    checked = session.job.checked()
    if checked is None or checked["mark"] != session.job.mark():
        return []
    return list(checked["record"]["set"]["findings"])


def _notes(session: Session) -> list[str]:
    """What the last look at these pieces said besides: files left out, and why."""
    checked = session.job.checked()
    return [] if checked is None or checked["mark"] != session.job.mark() else list(checked["record"]["warnings"])


def _shown(session: Session, piece: Piece, facts: Facts) -> dict[str, Any]:
    id, stamp = session.pictures.known(piece.path)
    return {
        "id": id, "stamp": stamp, "name": piece.name, "turn": piece.turn,
        "width": facts.width, "height": facts.height, "halvings": facts.halvings, "dpi": facts.dpi,
    }  # fmt: skip
