"""I check that the deeper parts of records take what commands tell and refuse what they never do."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import jsonschema
import pytest

from stitchbed.core.schema import schema_of
from stitchbed.pipelines.contract.parts import BedPart, CaptureRow, FindingRow, GainRow, LayoutPart
from stitchbed.planning.captures import Capture, CapturePlan


def _fits(kind: Any, value: dict[str, Any]) -> bool:
    return bool(jsonschema.Draft202012Validator(schema_of(kind)).is_valid(value))


@pytest.mark.parametrize(("part", "told"), [(CaptureRow, Capture), (LayoutPart, CapturePlan)])
def test_a_plan_s_parts_have_the_keys_of_what_they_tell(part: Any, told: Any) -> None:
    assert set(part.__annotations__) >= {field.name for field in fields(told)} - {"sheet", "bed"}


def test_a_finding_has_one_of_three_levels() -> None:
    good = {"fault": "blurred", "level": "redo", "why": "soft", "change": "scan again", "numbers": {"px": 2.5}}
    assert _fits(FindingRow, good)
    assert not _fits(FindingRow, {**good, "level": "bad"})
    assert not _fits(FindingRow, {key: value for key, value in good.items() if key != "change"})
    assert not _fits(FindingRow, {**good, "place": "left"})


def test_a_bed_may_be_known_in_part_and_a_gain_may_not() -> None:
    assert _fits(BedPart, {}) and _fits(BedPart, {"axis_ratio": 1.001, "more": [{"shear_rad": 1e-4}]})
    assert not _fits(BedPart, {"more": [{"more": []}]})  # beds lie one deep
    whole = {"tile": "a.tif", "gain": [1.0], "offset": [0.0], "curve": [1.0], "shading_range": [0.01]}
    assert _fits(GainRow, whole) and not _fits(GainRow, {"tile": "a.tif", "gain": [1.0]})
