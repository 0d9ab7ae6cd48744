"""I check changes of a job file against tomllib: the value is there, all else stays as it was written."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stitchbed.core.errors import BadSettings
from stitchbed.desk.job.text import parsed, table_of, value_at, with_table, with_value, without

TEXT = """# mine
name = "map"   # the harbor
pieces = ["a.tif", "b.tif"]

[join]
outside = "paper" # no holes
survey.allow_missing = true

# a table nobody knows
[mystery]
x = { deep = 1 }
"""
values = st.one_of(
    st.booleans(), st.integers(-99, 99), st.floats(-9, 9), st.text(max_size=9), st.lists(st.integers(), max_size=3)
)
keys = st.sampled_from(
    [("join", "outside"), ("join", "survey", "allow_missing"), ("join", "survey", "cell"), ("clean", "white", "cell"),
     ("export", "web", "px"), ("name",), ("out",), ("join", "new")]
)  # fmt: skip


def at(text: str, path: tuple[str, ...]) -> Any:
    """What tomllib finds there, or None."""
    found: Any = tomllib.loads(text)
    for key in path:
        found = found.get(key) if isinstance(found, dict) else None
    return found


@settings(max_examples=40, deadline=None)
@given(path=keys, value=values)
def test_a_value_is_there_afterwards_and_nothing_else_changes(path: tuple[str, ...], value: Any) -> None:
    text = with_value(TEXT, path, value)
    assert at(text, path) == value == value_at(text, path)
    for other in (("join", "outside"), ("join", "survey", "allow_missing"), ("name",), ("pieces",), ("mystery", "x")):
        if other != path:
            assert at(text, other) == at(TEXT, other)
    for comment in ("# mine", "# a table nobody knows"):
        assert comment in text
    untouched = [line for line in TEXT.splitlines() if not line.startswith(path[-1] if len(path) == 1 else path[1])]
    assert all(line in text for line in untouched)


@settings(max_examples=40, deadline=None)
@given(path=keys, value=values.filter(lambda one: one is not None))
def test_taken_out_again_the_value_is_gone(path: tuple[str, ...], value: Any) -> None:
    text = without(with_value(TEXT, path, value), path)
    assert at(text, path) is None
    assert without(text, path) == text
    assert at(text, ("mystery", "x")) == {"deep": 1}


def test_lists_of_tables_become_lines_of_one_list() -> None:
    rows = [{"at": [1, 2], "words": "a"}, {"at": [3, 4]}]
    text = with_value(TEXT, ("join", "hints"), rows)
    assert at(text, ("join", "hints")) == rows and text.count("{") == 3
    tables = "[join]\nx = 1\n[[join.hints]]\nat = [9, 9]\n[[join.hints]]\nat = [8, 8]\n"
    again = with_value(tables, ("join", "hints"), rows)
    assert at(again, ("join", "hints")) == rows and at(again, ("join", "x")) == 1


def test_tables_of_steps_and_of_copies() -> None:
    assert table_of(("join", "survey", "x")) == ("join",)
    assert table_of(("export", "web", "px")) == ("export", "web")
    assert table_of(("name",)) == ()
    text = with_table(with_table("", ("clean",)), ("export", "web"))
    assert tomllib.loads(text) == {"clean": {}, "export": {"web": {}}}
    assert with_table(text, ("clean",)) == text and with_table(text, ()) == text
    assert "\n\n[mystery2]" in with_table(TEXT, ("mystery2",))


def test_what_is_no_toml_or_no_table_is_told_in_words() -> None:
    for call in (lambda: parsed("a = ="), lambda: value_at("[a", ("a",)), lambda: with_value("x", ("a",), 1)):
        with pytest.raises(BadSettings, match="no TOML"):
            call()
    with pytest.raises(BadSettings, match="join, which is no table"):
        with_value("join = 3\n", ("join", "outside"), "paper")
    assert value_at("join = 3\n", ("join", "outside"), "usual") == "usual"
