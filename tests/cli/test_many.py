"""I check when a step is asked of several pictures, and what the shell answers then."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from stitchbed.cli import many
from stitchbed.cli.many import are_several, do_each
from stitchbed.cli.options import Shared
from stitchbed.core.errors import BadSettings, WorksFailed

SHARED = Shared(json=False, quiet=True, memory=2**20, workers=3, replace=True)


@pytest.mark.parametrize(
    ("sources", "output", "several"),
    [
        (["a.tif"], "page.tif", False),
        (["a.tif"], "pages", True),  # no ending: a folder
        (["a.tif"], "folder.tif", True),  # one that is there, whatever it is called
        (["a.tif", "b.tif"], "page.tif", True),
        (["scans"], "page.tif", True),
        ([], "page.tif", True),
        (["nowhere.tif"], "page.tif", False),
    ],
)
def test_several_pictures_or_a_folder_of_results(
    sources: list[str], output: str, several: bool, tmp_path: Path
) -> None:
    for name in ("scans", "folder.tif"):
        (tmp_path / name).mkdir()
    (tmp_path / "a.tif").write_bytes(b"")
    assert are_several([tmp_path / name for name in sources], tmp_path / output) is several


def answered(monkeypatch: pytest.MonkeyPatch, record: dict[str, Any]) -> list[tuple[Any, ...]]:
    """What the step is called with, from now on; it answers with a record."""
    calls: list[tuple[Any, ...]] = []

    def run_step(*given: Any, progress: Any) -> tuple[dict[str, Any], str]:
        calls.append(given)
        return record, "two pages done"

    monkeypatch.setattr(many, "run_step", run_step)
    return calls


def test_the_step_is_done_for_all_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    calls = answered(monkeypatch, {"command": "run", "failed": []})
    sources = [tmp_path / "a.tif", tmp_path / "b.tif"]
    do_each("clean", sources, tmp_path / "out", "settings", SHARED)
    ((step, given, out, settings, run),) = calls
    assert (step, given, out, settings) == ("clean", sources, tmp_path / "out", "settings")
    assert (run.memory, run.workers, run.replace) == (2**20, 3, True)
    assert capsys.readouterr().out == "two pages done\n"
    do_each("clean", sources, tmp_path / "out", "settings", Shared(json=True, quiet=True, memory=1, workers=1))
    assert json.loads(capsys.readouterr().out) == {"command": "run", "failed": []}


def test_what_failed_is_told_before_the_command_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answered(monkeypatch, {"works": [{}, {}, {}], "failed": ["b"]})
    with pytest.raises(WorksFailed, match="1 of 3 works failed: b"):
        do_each("clean", [tmp_path / "a.tif"], tmp_path / "out", None, SHARED)
    assert capsys.readouterr().out == "two pages done\n"
    answered(monkeypatch, {"steps": []})  # of one picture
    do_each("clean", [tmp_path / "a.tif"], tmp_path / "out", None, SHARED)


def test_one_file_cannot_hold_the_results_of_several(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = answered(monkeypatch, {})
    with pytest.raises(BadSettings, match=r"the file .*page\.tif for the results of several pictures"):
        do_each("clean", [tmp_path / "a.tif", tmp_path / "b.tif"], tmp_path / "page.tif", None, SHARED)
    assert calls == []
    (tmp_path / "page.tif").mkdir()
    do_each("clean", [tmp_path / "a.tif"], tmp_path / "page.tif", None, SHARED)
    assert len(calls) == 1
