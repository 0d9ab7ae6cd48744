"""I check how a table becomes settings: each type, nested tables, limits, and what is said about what does not fit."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from stitchbed.core.errors import BadSettings
from stitchbed.jobs.settings import Place, Span, settings_of
from stitchbed.jobs.steps import STEPS


@dataclass(frozen=True)
class Inner:
    """Settings within settings."""

    depth: float = 0.5
    words: tuple[str, ...] = ("a",)


@dataclass(frozen=True)
class Outer:
    """One field of every type that settings have."""

    dpi: float
    count: int = 1
    deep: bool = False
    kind: str = "auto"
    tone: str | float = "found"
    mode: Literal["soft", "hard"] = "soft"
    mask: Path | None = None
    rects: tuple[tuple[int, int], ...] = ()
    lines: tuple[float, float | None] | None = None
    corners: NDArray[np.float64] | None = None
    inner: Inner = field(default_factory=lambda: Inner(depth=0.25))
    memory: int = 7
    workers: int = 7


LIMITS = {"kind": ("auto", "own"), "count": Span(1, 9), "inner.depth": Span(0, 1)}


def made(table: dict[str, Any], given: dict[str, Any] | None = None) -> Outer:
    """Settings from a table."""
    return settings_of(Outer, table, Place("step", Path("folder"), LIMITS), given=given or {})


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
def test_every_step_of_a_job_has_settings_that_limits_name_rightly(name: str) -> None:
    step = STEPS[name]
    kind = step.settings()
    must = {"dpi": 300.0} if name == "rectify" else {}
    default = settings_of(kind, must, Place(name, Path(), step.limits), given={"memory": 2**30, "workers": 1})
    for key, limit in step.limits.items():
        value: Any = default
        for part in key.split("."):
            value = getattr(value, part)
        inside = value is None or (limit.low <= value <= limit.high if isinstance(limit, Span) else value in limit)
        assert inside, f"the default of {key} lies outside of its limits"


def test_nested_tables_reach_the_survey_of_a_join() -> None:
    step = STEPS["join"]
    table = {"codec": "zstd", "survey": {"allow_missing": True, "levels": {}, "rounds": 2}}
    settings = settings_of(step.settings(), table, Place("join", Path(), step.limits), given={"memory": 5})
    assert (settings.codec, settings.survey.allow_missing, settings.survey.rounds) == ("zstd", True, 2)
    assert settings.memory == 5 and settings.survey.find_lift
