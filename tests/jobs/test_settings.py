"""I check how a table becomes settings: each type, nested tables, limits, and what is said about what does not fit."""

from __future__ import annotations

import math
from dataclasses import MISSING, dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from stitchbed.core.errors import BadSettings
from stitchbed.core.settings import Setting, check, misfit, places
from stitchbed.jobs.settings import Place, settings_of
from stitchbed.jobs.steps import STEPS, settings_class


@dataclass(frozen=True)
class Inner:
    """Settings within settings."""

    depth: Annotated[float, Setting("How deep.", low=0, high=1)] = 0.5
    words: tuple[str, ...] = ("a",)


@dataclass(frozen=True)
class Outer:
    """One field of every type that settings have."""

    dpi: float
    count: Annotated[int, Setting("How many.", low=1, high=9)] = 1
    deep: bool = False
    kind: Annotated[str, Setting("Which.", choices=("auto", "own"))] = "auto"
    tone: str | float = "found"
    mode: Literal["soft", "hard"] = "soft"
    mask: Path | None = None
    rects: tuple[tuple[int, int], ...] = ()
    lines: tuple[float, float | None] | None = None
    corners: NDArray[np.float64] | None = None
    inner: Inner = field(default_factory=lambda: Inner(depth=0.25))
    memory: int = 7
    workers: int = 7


def made(table: dict[str, Any], given: dict[str, Any] | None = None) -> Outer:
    """Settings from a table."""
    return settings_of(Outer, table, Place("step", Path("folder")), given=given or {})


def test_what_is_not_said_stays_as_it_is_by_default() -> None:
    assert made({"dpi": 300}) == Outer(300.0)
    assert isinstance(made({"dpi": 300}).dpi, float)


@pytest.mark.parametrize(
    ("key", "value", "expected"),
    [
        ("count", 3, 3),
        ("deep", True, True),
        ("kind", "own", "own"),
        ("tone", "keep", "keep"),
        ("tone", 12, 12.0),
        ("mode", "hard", "hard"),
        ("mask", "marks/mask.png", Path("folder/marks/mask.png")),
        ("rects", [[1, 2], [3, 4]], ((1, 2), (3, 4))),
        ("lines", [159.6], (159.6, None)),
        ("lines", [159.6, 160], (159.6, 160.0)),
        ("inner", {"words": ["b", "c"]}, Inner(0.25, ("b", "c"))),
        ("inner", {"depth": 1}, Inner(1.0, ("a",))),
    ],
)
def test_each_type(key: str, value: Any, expected: Any) -> None:
    assert getattr(made({"dpi": 1, key: value}), key) == expected


def test_corners_are_four_points() -> None:
    corners = made({"dpi": 1, "corners": [[0, 0], [9, 0], [9, 7.5], [0, 7]]}).corners
    assert corners is not None and corners.dtype == np.float64
    assert corners.tolist() == [[0, 0], [9, 0], [9, 7.5], [0, 7]]


@pytest.mark.parametrize(
    ("key", "value", "expected"),
    [
        ("dpi", "300", "a number"),
        ("dpi", True, "a number"),
        ("dpi", float("nan"), "a number that has an end"),
        ("dpi", float("inf"), "a number that has an end"),
        ("count", 1.5, "a whole number"),
        ("count", False, "a whole number"),
        ("count", 10, "a number from 1 to 9"),
        ("deep", 1, "true or false"),
        ("kind", 3, "a text in quotes"),
        ("kind", "other", "one of 'auto', 'own'"),
        ("tone", [1], "a text in quotes or a number"),
        ("mode", "crisp", "one of 'soft', 'hard'"),
        ("mask", 3, "a file's name"),
        ("rects", [1, 2], "a list"),
        ("rects", [[1]], "a list of 2"),
        ("rects", [[1, 2.5]], "a whole number"),
        ("lines", [], "a list of 2"),
        ("lines", [1.0, 2.0, 3.0], "a list of 2"),
        ("corners", [[0, 0], [9, 0]], "a list of four points [x, y]"),
        ("corners", [[0, 0], [9, 0], [9, 9], [0, "x"]], "a list of four points [x, y]"),
        ("corners", "0,0", "a list of four points [x, y]"),
        ("inner", 3, "a table of settings"),
        ("kind", {"a": 1}, "a text in quotes"),
    ],
)
def test_what_does_not_fit_is_told(key: str, value: Any, expected: str) -> None:
    with pytest.raises(BadSettings) as caught:
        made({"dpi": 1.0, key: value})
    assert caught.value.expected == expected
    assert key in caught.value.found and "[step]" in caught.value.found


def test_limits_and_unknown_keys_are_told_in_the_table_they_stand_in() -> None:
    with pytest.raises(BadSettings, match=r"depth = 2 in \[step\.inner\]"):
        made({"dpi": 1, "inner": {"depth": 2}})
    with pytest.raises(BadSettings, match=r"'dept' in \[step\.inner\]") as caught:
        made({"dpi": 1, "inner": {"dept": 2}})
    assert "'depth'" in caught.value.attempt


def test_a_setting_that_must_be_said() -> None:
    with pytest.raises(BadSettings, match=r"\[step\] without dpi"):
        made({})


def test_memory_and_workers_are_said_in_the_shell_only() -> None:
    assert made({"dpi": 1}, {"memory": 99, "workers": 3, "unheard": 1}).memory == 99
    assert made({"dpi": 1}, {"workers": 3}).workers == 3
    with pytest.raises(BadSettings, match="'memory'"):
        made({"dpi": 1, "memory": 99})


@pytest.mark.parametrize("name", list(STEPS))
def test_defaults_of_every_step_lie_within_what_is_said_of_them(name: str) -> None:
    kind = settings_class(STEPS[name])
    must = {"dpi": 300.0} if name == "rectify" else {}
    check(settings_of(kind, must, Place(name, Path()), given={"memory": 2**30, "workers": 1}))
    for place in places(kind):
        if place.default is not MISSING:
            assert misfit(place.default, place.setting) == "", place.path


@pytest.mark.parametrize("name", list(STEPS))
def test_no_number_of_any_step_may_be_without_an_end_or_negative(name: str) -> None:
    """Every float of every table of a job file, those of nested tables too, refuses NaN, infinities and -1e300."""
    tried = 0
    for place in places(settings_class(STEPS[name])):
        if not isinstance(place.default, float):
            continue
        for value in (math.nan, math.inf, -math.inf, -1e300):
            table: dict[str, Any] = {place.path[-1]: value}
            for step in reversed(place.path[:-1]):
                table = {step: table}
            with pytest.raises(BadSettings, match=place.path[-1]):
                settings_of(settings_class(STEPS[name]), {"dpi": 300.0, **table}, Place(name, Path()), given={})
            tried += 1
    assert tried or name in ("lines", "color", "export.layers", "export.print", "export.nopaper")


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ({"dust": {"largest": 50.0}}, "largest"),
        ({"dust": {"largest": 0}}, "largest"),
        ({"dust": {"smallest_dot": -3}}, "smallest_dot"),
        ({"border": {"inset": -5}}, "inset"),
    ],
)
def test_what_the_shell_refuses_a_job_file_refuses(table: dict[str, Any], key: str) -> None:
    with pytest.raises(BadSettings, match=key):
        settings_of(settings_class(STEPS["clean"]), table, Place("clean", Path()), given={})


def test_nested_tables_reach_the_survey_of_a_join() -> None:
    step = STEPS["join"]
    table = {"codec": "zstd", "survey": {"allow_missing": True, "levels": {}, "rounds": 2}}
    settings = settings_of(settings_class(step), table, Place("join", Path()), given={"memory": 5})
    assert (settings.codec, settings.survey.allow_missing, settings.survey.rounds) == ("zstd", True, 2)
    assert settings.memory == 5 and settings.survey.find_lift
