"""I check that every step's fields take what they show, and that only what fits gets into a job file."""

from __future__ import annotations

from typing import Any

import pytest

from stitchbed.core.errors import BadSettings
from stitchbed.desk.look.fields import fields_of, value_of
from stitchbed.jobs.steps import STEPS


@pytest.mark.parametrize("step", STEPS)
def test_every_field_of_every_step_has_words_and_a_kind(step: str) -> None:
    fields = fields_of(step, {})
    assert len({one.id for one in fields}) == len(fields)
    for one in fields:
        assert one.help.endswith(".") and one.label and not one.said
        assert one.kind in ("switch", "choice", "number", "text")
        assert (one.kind == "choice") == bool(one.choices) or one.kind == "text"
    assert [one.rare for one in fields] == sorted(one.rare for one in fields)


@pytest.mark.parametrize("step", STEPS)
def test_the_usual_value_may_be_typed_into_its_field(step: str) -> None:
    for one in fields_of(step, {}):
        typed: Any = one.value if one.kind == "switch" else one.usual
        if typed not in ("", None):
            value = value_of(step, list(one.path), typed)
            shown = next(other for other in fields_of(step, nested(one.path, value)) if other.path == one.path)
            assert shown.said and (shown.value == one.value or str(shown.value) == one.usual), one.id


def nested(path: tuple[str, ...], value: Any) -> dict[str, Any]:
    """A table with that value."""
    for name in reversed(path):
        value = {name: value}
    return value


@pytest.mark.parametrize("step", STEPS)
def test_numbers_beyond_their_ends_are_refused(step: str) -> None:
    for one in fields_of(step, {}):
        if one.kind == "number":
            for end, beyond in ((one.low, -1), (one.high, 1)):
                if end is not None:
                    with pytest.raises(BadSettings):
                        value_of(step, list(one.path), str(end + beyond * max(1, abs(end))))
            with pytest.raises(BadSettings):
                value_of(step, list(one.path), "wide")


def test_an_emptied_field_says_nothing() -> None:
    for typed in (None, ""):
        assert value_of("clean", list(fields_of("clean", {})[0].path), typed) is None


@pytest.mark.parametrize("path", [["no such"], [], ["memory"], ["hints"]])
def test_what_is_not_shown_is_not_set(path: list[str]) -> None:
    with pytest.raises(BadSettings):
        value_of("join", path, 5)


def test_rows_of_numbers_are_read_with_commas_semicolons_or_an_x() -> None:
    assert value_of("clean", ["dust", "keep"], "1,2; 3.5,4") == [[1.0, 2.0], [3.5, 4.0]]
    assert value_of("export.print", ["mm"], "200x100") == [200.0, 100.0]
    with pytest.raises(BadSettings, match="commas"):
        value_of("export.print", ["mm"], "200 by 100")


def test_a_switch_takes_yes_or_no_and_a_choice_one_of_its_words() -> None:
    switch = next(one for one in fields_of("join", {}) if one.kind == "switch")
    assert value_of("join", list(switch.path), True) is True
    with pytest.raises(BadSettings, match="yes or no"):
        value_of("join", list(switch.path), "on")
    choice = next(one for one in fields_of("export.print", {}) if one.kind == "choice" and "deflate" in one.choices)
    assert value_of("export.print", list(choice.path), "zstd") == "zstd"
    with pytest.raises(BadSettings):
        value_of("export.print", list(choice.path), "zip")
