"""I check what the desk says of a job: how stops stand, that nothing is passed over, where pieces and marks lie."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from desks import client_of, small_job

from stitchbed.core.errors import BadSettings
from stitchbed.core.settings import places
from stitchbed.desk.job.begin import job_at, new_text
from stitchbed.desk.job.pieces import Facts
from stitchbed.desk.look.fields import fields_of, value_of
from stitchbed.desk.look.layout import laid_out
from stitchbed.desk.look.marks import marks_of
from stitchbed.desk.stops import BY_NAME, DONE, LOOK, NOT_BEGUN, STOPS, of_pieces, of_placing, of_steps
from stitchbed.jobs.job_file import job_of
from stitchbed.jobs.settings import Place, settings_of
from stitchbed.jobs.steps import STEPS, settings_class


def _record(verdicts: list[str], whole: str = "good") -> dict[str, Any]:
    return {"pieces": [{"verdict": one} for one in verdicts], "set": {"verdict": whole}}


def test_every_step_has_a_stop() -> None:
    assert [step for stop in STOPS for step in stop.steps] == list(STEPS)


def test_pieces_stand_by_their_verdicts_and_none_is_passed_over() -> None:
    assert of_pieces(0, None, False).state == NOT_BEGUN
    assert of_pieces(2, _record(["good", "good"]), False).state == NOT_BEGUN
    assert of_pieces(2, _record(["good", "usable"]), True).state == DONE
    assert of_pieces(2, _record(["good", "redo"]), True).state == LOOK
    assert of_pieces(2, _record(["good", "good"], "redo"), True).state == LOOK
    left_out = of_pieces(3, _record(["good", "good"]), True)
    assert left_out.state == LOOK and "1 of 3" in left_out.words


def test_placing_is_done_when_every_piece_has_a_place() -> None:
    placed = {"placements": [{}, {}], "alone": []}
    assert of_placing(2, placed, True).state == DONE and of_placing(2, placed, False).state == NOT_BEGUN
    assert of_placing(3, placed, True).state == LOOK
    assert of_placing(2, {**placed, "alone": ["b.tif"]}, True).state == LOOK


def test_steps_stand_by_their_results() -> None:
    def state(*rows: tuple[str, list[str]]) -> tuple[str, bool]:
        told = [{"step": "x", "state": one, "warnings": notes} for one, notes in rows]
        found = of_steps(BY_NAME["copies"], told)
        return found.state, found.stale

    assert state() == (NOT_BEGUN, False)
    assert state(("done", []), ("done", [])) == (DONE, False)
    assert state(("done", ["a note"])) == (LOOK, False)
    assert state(("done", []), ("not begun", [])) == (NOT_BEGUN, False)
    assert state(("changed", ["a note"])) == (NOT_BEGUN, True)
    assert state(("changed by hand since, kept", [])) == (DONE, False)


@pytest.mark.parametrize("quarters", range(4))
def test_most_pieces_stand_upright(quarters: int) -> None:
    def motion(turn: float, x: float, y: float) -> list[list[float]]:
        c, s = math.cos(turn), math.sin(turn)
        return [[c, -s, x], [s, c, y], [0, 0, 1]]

    turn = quarters * math.pi / 2 + 0.01
    size = {"width": 300, "height": 200, "dpi": 100, "island": 0}
    rows = [{**size, "sheet_from_tile": motion(turn, 900 + 50 * n, -70 * n)} for n in range(3)]
    rows.append({**size, "sheet_from_tile": motion(turn + math.pi, 0, 0)})
    found = laid_out(rows)
    for layer in found["layers"][:3]:
        assert layer["matrix"][:4] == pytest.approx([1, 0, 0, 1], abs=0.02)
    for layer in found["layers"]:
        a, b, c, d, e, f = layer["matrix"]
        corners = np.array(
            [(a * x + c * y + e, b * x + d * y + f) for x, y in ((0, 0), (299, 0), (299, 199), (0, 199))]
        )
        assert corners.min() >= -1 and (corners.max(axis=0) <= [found["width"] + 1, found["height"] + 1]).all()


def test_marks_lie_where_the_fault_is() -> None:
    lifted = {"fault": "lifted", "level": "redo", "numbers": {"left": {"reach_px": 100}, "bottom": {"reach_px": 50}}}
    found = marks_of([lifted], {"numbers": {}}, Facts(1000, 500))
    assert [(one["x"], one["y"], one["width"], one["height"]) for one in found] == [(0, 0, 0.1, 1), (0, 0.9, 1, 0.1)]
    across = [[1.0, 1.0, 0.4], [1.0, None, 1.0], [1.0, 1.0, 1.0]]
    blurred = {"fault": "blurred", "level": "redo", "numbers": {"blur_px": 3}}
    found = marks_of([blurred], {"numbers": {"sharpness_across": across}}, Facts(1000, 500))
    assert [(round(one["x"], 2), one["y"]) for one in found] == [(0.67, 0)]


@pytest.mark.parametrize("step", STEPS)
def test_every_field_that_is_shown_can_be_set_to_its_usual_value(step: str, tmp_path: Path) -> None:
    """What a field shows as usual, typed into it, is a value the step takes."""
    shown = fields_of(step, {})
    known = {place.path for place in places(settings_class(STEPS[step]))}
    for field in shown:
        assert field.path in known and field.help
        typed = field.value if field.kind in ("switch", "choice") else field.usual
        value = value_of(step, list(field.path), typed)
        if value is None:
            continue
        table: dict[str, Any] = {}
        inner = table
        for name in field.path[:-1]:
            inner = inner.setdefault(name, {})
        inner[field.path[-1]] = value
        needed = {} if step != "rectify" or field.path == ("dpi",) else {"dpi": 300.0}
        settings_of(settings_class(STEPS[step]), {**needed, **table}, Place(step, tmp_path), given={})
        assert fields_of(step, table)[[one.path for one in shown].index(field.path)].said


@pytest.mark.parametrize(
    ("step", "path", "typed"),
    [
        ("join", ["dpi"], "many"),
        ("join", ["dpi"], "-3"),
        ("join", ["outside"], "x"),
        ("join", ["nothing"], 1),
        ("join", ["survey", "allow_missing"], "yes"),
        ("export.web", ["px"], "2.5"),
        ("rectify", ["blank"], "/etc/passwd"),
    ],
)
def test_what_does_not_fit_is_told(step: str, path: list[str], typed: Any) -> None:
    with pytest.raises(BadSettings):
        value_of(step, path, typed)


def test_a_new_job_is_one_run_takes(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text(new_text(tmp_path), encoding="utf-8")
    job = job_of(tmp_path, list(STEPS))
    assert list(job.tables) == ["join"] and job.pieces == (tmp_path / "pieces",) and job.name == tmp_path.name


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    assert job_at(tmp_path) == tmp_path / "job.toml"
    with pytest.raises(BadSettings, match="no folder"):
        job_at(tmp_path / "none")


def test_what_is_missing_of_the_sheet_is_drawn(tmp_path: Path) -> None:
    """A record of a check of one piece, and the sizes: words and a drawing of what comes next."""
    import json

    small_job(tmp_path)
    with client_of(tmp_path) as (client, session, _):

        async def nothing() -> None:
            return None

        session.look_about = nothing  # type: ignore[method-assign]
        first = session.job.pieces()[0]
        row = {"name": first.name, "path": str(first.path), "verdict": "good", "findings": [], "numbers": {}}
        place = {"tile": first.name, "island": 0, "sheet_from_tile": np.eye(3).tolist(), "width": 850, "height": 1169}
        record = {"pieces": [row], "set": {"verdict": "good", "findings": []}, "warnings": ["b was left out"]}
        told = {"mark": session.job.mark(), "record": {**record, "placements": [{**place, "dpi": 100.0}]}}
        (tmp_path / ".desk").mkdir(exist_ok=True)
        (tmp_path / ".desk" / "check.json").write_text(json.dumps(told))
        text = (tmp_path / "job.toml").read_text()
        (tmp_path / "job.toml").write_text(text + "\n[desk]\nsheet_mm = [420, 297]\nbed_mm = [216, 297]\n")
        page = client.get("/").text
        assert "% of the sheet is covered" in page and "to the right" in page and 'class="next"' in page
        assert "1 of 2 files was left out" in page and "b was left out" in page
        assert "1 of 2 pieces have a place" in client.get("/at/placing").text


def test_pieces_are_drawn_before_all_is_judged(tmp_path: Path) -> None:
    """Where a check that still runs laid them; of other pieces nothing is taken."""
    small_job(tmp_path)
    with client_of(tmp_path) as (client, session, _):

        async def nothing() -> None:
            return None

        session.look_about = nothing  # type: ignore[method-assign]
        place = {"island": 0, "sheet_from_tile": np.eye(3).tolist(), "width": 850, "height": 1169, "dpi": 100.0}
        pieces = session.job.pieces()
        told = {
            "pieces": [{"name": one.name, "path": str(one.path)} for one in pieces],
            "placements": [{"tile": one.name, **place} for one in pieces],
        }
        for mark, kind in ((session.job.mark(), "mat-data"), ("other", "as soon as they were looked at")):
            session.job.early = {"mark": mark, "record": told}
            page = client.get("/at/placing").text
            assert kind in page and "not placed yet" in page
