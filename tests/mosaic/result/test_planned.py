"""I check how a join comes to its plan: by a survey, then from what is kept, with hints on what is shown each time."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from small_plans import plan_of, spare_of

from stitchbed.imaging.transfer import transfer_of
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.kinds import Show
from stitchbed.mosaic.result import planned as module
from stitchbed.mosaic.result.planned import looked_at, planned
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings

SHOW = Show("b.tif", ((16.1, 4.1), (18.9, 4.1), (18.9, 8.9), (16.1, 8.9)))
JOB = "0123456789abcdef" * 4


def context_of(*said: Show, order: slice = slice(None)) -> SurveyContext:
    """A survey of the two pieces of the plan, in any order."""
    plan = plan_of()
    settings = SurveySettings(find_dust=False)
    kind = Kind(3, "uint8", None, transfer_of(None))
    return SurveyContext(plan.tiles[order], np.full(2, 254.0), None, kind, settings, hints=Hints(show=said))  # type: ignore[arg-type]


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The steps of a survey that were done; each stands in for the real one."""
    done: list[str] = []
    spare = spare_of()
    found = SimpleNamespace(lifts=spare.lifts, levels=spare.levels, marks=spare.marks, warnings=["of the survey"])

    def step(name: str, value: Any) -> None:
        def does(*given: Any, **more: Any) -> Any:
            done.append(name if name != "settled" else f"settled {given[1]}")
            return value

        monkeypatch.setattr(module, {"settled": "settled_outside", "record": "survey_record"}.get(name, name), does)

    step("look", "looked")
    step("look_again", "looked again")
    step("laid_out", ("laid", "step"))
    step("surveyed", found)
    step("settled", (plan_of(), {"unseen_share": 0.25}, ["of what is outside"]))
    step("record", {"reference": "a.tif", "hints": [{"kind": "near"}]})
    return done


def made(context: SurveyContext, folder: Path, **more: Any) -> tuple[Any, dict[str, Any]]:
    """The plan and its record."""
    plain = {"outside": "paper", "by_hand": False, "job": JOB}
    wishes = {**plain, **more}
    at = (folder, wishes.pop("job"))
    return planned(context, at, wishes["outside"], by_hand=wishes["by_hand"])


def test_the_first_run_surveys_and_the_next_one_does_not(tmp_path: Path, steps: list[str]) -> None:
    plan, about = made(context_of(), tmp_path)
    assert steps == ["look", "laid_out", "surveyed", "settled paper", "record"]
    assert (tmp_path / "0123456789abcdef.plan").is_file()
    assert about["warnings"] == ["of the survey", "of what is outside"]
    assert about["outside"] == {"unseen_share": 0.25} and about["reference"] == "a.tif"
    again, told = made(context_of(), tmp_path)
    assert len(steps) == 5 and told == about
    assert np.array_equal(again.seams.labels, plan.seams.labels) and again.tiles == plan.tiles
    made(context_of(), tmp_path, job=JOB[:16] + "f" * 48)  # another job, whose plan goes by the same name
    assert len(steps) == 10


def test_what_is_shown_is_laid_over_the_kept_plan_each_time(tmp_path: Path, steps: list[str]) -> None:
    plain, _ = made(context_of(), tmp_path)
    plan, about = made(context_of(SHOW, order=slice(None, None, -1)), tmp_path)
    assert len(steps) == 5
    changed = plan.seams.labels != plain.seams.labels
    assert changed.sum() == 15 and changed[4:9, 16:19].all()
    assert [row["kind"] for row in about["hints"]] == ["near", "show"]
    back, told = made(context_of(), tmp_path)
    assert np.array_equal(back.seams.labels, plain.seams.labels) and [row["kind"] for row in told["hints"]] == ["near"]
    away = made(context_of(replace(SHOW, piece="c.tif")), tmp_path)[1]
    assert away["warnings"][-1].endswith("the piece was not placed")


def test_looks_are_kept_where_a_person_lays_pieces_out(tmp_path: Path, steps: list[str]) -> None:
    assert looked_at(context_of(), tmp_path, by_hand=False) == "looked"
    assert looked_at(context_of(), tmp_path, by_hand=True) == "looked again"
    made(context_of(), tmp_path, by_hand=True, outside="alpha")
    assert steps[2:] == ["look_again", "laid_out", "surveyed", "settled alpha", "record"]
