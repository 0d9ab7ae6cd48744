"""I check that a job can be watched and ended: at the next unit of work, in words."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest

import stitchbed
from stitchbed.core.errors import Cancelled, StitchbedError
from stitchbed.core.progress import counted, never, silent, watched


def test_progress_is_handed_on_until_the_job_is_to_end() -> None:
    told: list[tuple[str, int, int]] = []
    ends = iter([False, False, True])
    report = watched(lambda *words: told.append(words), lambda: next(ends))
    report("looking", 1, 3)
    report("looking", 2, 3)
    with pytest.raises(Cancelled, match="looking") as caught:
        report("looking", 3, 3)
    assert isinstance(caught.value, StitchbedError)
    assert told == [("looking", 1, 3), ("looking", 2, 3)]


def test_items_are_told_once_used_and_the_step_when_it_begins() -> None:
    told: list[int] = []
    for item in counted("abc", "going", 3, lambda step, done, total: told.append(done)):
        assert len(told) == 1 + "abc".index(item)
    assert told == [0, 1, 2, 3]
    assert silent("any", 1, 2) is None and never() is False


@pytest.mark.parametrize("command", stitchbed.PIPELINES)
def test_every_command_is_one_function_of_one_shape(command: str) -> None:
    settings, name = (getattr(stitchbed, one) for one in stitchbed.PIPELINES[command])
    shape = inspect.signature(name).parameters
    assert list(shape) == ["inputs", "output", "settings", "progress", "cancel"]
    assert shape["progress"].kind is shape["cancel"].kind is inspect.Parameter.KEYWORD_ONLY
    assert settings.__name__ in str(shape["settings"].annotation)
    assert {settings.__name__, name.__name__} <= set(stitchbed.__all__)


def test_a_job_that_is_ended_leaves_nothing_under_its_name(pieces: list[Path], tmp_path: Path) -> None:
    """From the first word on: looking. Nothing but the hidden job folder may stay."""
    with pytest.raises(Cancelled):
        stitchbed.join(pieces, tmp_path / "canvas.tif", cancel=lambda: True)
    assert not list(tmp_path.glob("canvas*"))
