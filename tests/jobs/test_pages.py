"""I check how a job of pages is told: each by itself, what failed beside what was done, which files a step takes."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from stitchbed.core.errors import BadSettings, StitchbedError, UnreadableTile
from stitchbed.core.progress import silent
from stitchbed.jobs import pages
from stitchbed.jobs.job_file import JobFile
from stitchbed.jobs.pages import failure_of, run_step, run_whole
from stitchbed.jobs.run import RunSettings
from stitchbed.pipelines.lines import LinesSettings


def step_row(name: str, state: str, *warnings: str) -> dict[str, Any]:
    """What a run tells of a step."""
    return {"step": name, "state": state, "warnings": list(warnings)}


class Runs:
    """Stands in for the run of one page; fails for pages called bad."""

    def __init__(self) -> None:
        self.jobs: list[JobFile] = []

    def __call__(self, job: JobFile, settings: RunSettings, *, progress: Any) -> tuple[dict[str, Any], str]:
        """A page done."""
        self.jobs.append(job)
        if job.name.startswith("bad"):
            raise UnreadableTile("torn", expected="whole", attempt="glue")
        steps = [step_row("clean", "done", "pale", "pale"), step_row("lines", "done"), step_row("flats", "unchanged")]
        return {"steps": steps, "name": job.name}, f"text of {job.name}"


@pytest.fixture
def runs(monkeypatch: pytest.MonkeyPatch) -> Runs:
    """The run of one page, replaced."""
    made = Runs()
    monkeypatch.setattr(pages, "run", made)
    return made


def job_in(folder: Path, *names: str, one_by_one: bool = True) -> JobFile:
    """A job of pages that lie in a folder."""
    for name in names:
        (folder / name).write_bytes(b"no picture, and nobody reads it")
    files = tuple(folder / name for name in names)
    return JobFile(folder / "job.toml", "map", folder, files, folder / "out", folder / "records", {}, one_by_one)


def test_a_job_that_is_no_job_of_pages_is_run_whole(tmp_path: Path, runs: Runs) -> None:
    job = job_in(tmp_path, "a.tif", "b.tif", one_by_one=False)
    assert run_whole(job, RunSettings(), progress=silent)[1] == "text of map"
    assert runs.jobs == [job]


def test_one_page_is_a_job_of_its_own_and_its_error_goes_on(tmp_path: Path, runs: Runs) -> None:
    record, text = run_whole(job_in(tmp_path, "quay_page.tif"), RunSettings(), progress=silent)
    assert (record["name"], text) == ("quay", "text of quay")
    (job,) = runs.jobs
    assert job.pieces == (tmp_path / "quay_page.tif",) and not job.pages
    with pytest.raises(UnreadableTile):
        run_whole(job_in(tmp_path, "bad.tif"), RunSettings(), progress=silent)


def test_a_page_that_fails_stops_no_other(tmp_path: Path, runs: Runs) -> None:
    heard: list[tuple[str, int, int]] = []
    job = job_in(tmp_path, "a.tif", "bad.tif", "c.tif")
    record, text = run_whole(job, RunSettings(), progress=lambda *said: heard.append(said))
    assert [one.name for one in runs.jobs] == ["a", "bad", "c"]
    assert heard == [("pages", k, 3) for k in (0, 1, 1, 2, 2, 3)]
    assert (record["command"], record["name"], record["job"]) == ("run", "map", str(tmp_path / "job.toml"))
    assert record["failed"] == ["bad"] and [work["ok"] for work in record["works"]] == [True, False, True]
    bad = dict(record["works"][1])
    assert bad.pop("seconds") >= 0
    assert bad == {
        "name": "bad",
        "path": str(tmp_path / "bad.tif"),
        "ok": False,
        "found": "torn",
        "expected": "whole",
        "try": "glue",
    }
    lines = [re.sub(r"done in [0-9.]+ s", "done", line) for line in text.splitlines()]
    assert lines == [
        "a: clean, lines done; 1 step unchanged", "  Note (clean): pale.",
        "bad: FAILED", "  Found: torn.", "  Try: glue.",
        "c: clean, lines done; 1 step unchanged", "  Note (clean): pale.",
        f"2 of 3 pages done. Results: {tmp_path / 'out'}",
    ]  # fmt: skip


def test_a_note_of_many_pages_is_told_once(tmp_path: Path, runs: Runs) -> None:
    job = job_in(tmp_path, "a.tif", "b.tif", "bad.tif", "c.tif")
    text = run_whole(job, RunSettings(), progress=silent)[1]
    assert "  Note (clean): pale." not in text
    assert text.splitlines()[-2:] == [
        "Note of 3 pages (clean): pale.", f"3 of 4 pages done. Results: {tmp_path / 'out'}"
    ]  # fmt: skip


def test_a_page_of_which_nothing_was_to_be_done(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = [
        step_row("clean", "unchanged"),
        step_row("lines", "unchanged"),
        step_row("flats", "changed by hand since, kept"),
    ]
    monkeypatch.setattr(pages, "run", lambda job, settings, *, progress: ({"steps": steps}, ""))
    text = run_whole(job_in(tmp_path, "a.tif", "b.tif"), RunSettings(), progress=silent)[1]
    assert text.splitlines()[0] == "a: 2 steps unchanged; 1 step changed by hand since, kept"


def test_two_pages_of_one_name_are_refused(tmp_path: Path, runs: Runs) -> None:
    with pytest.raises(BadSettings, match="two pages called quay"):
        run_whole(job_in(tmp_path, "quay_page.tif", "quay.tif"), RunSettings(), progress=silent)
    assert runs.jobs == []


def test_a_step_takes_pictures_and_of_a_folder_the_results_of_the_step_before(tmp_path: Path, runs: Runs) -> None:
    scans, results, out = (tmp_path / name for name in ("scans", "results", "out"))
    for folder, names in ((scans, ("a.tif", "b.tif")), (results, ("a_page.tif", "a_lines.png", "b_page.tif"))):
        folder.mkdir()
        for name in names:
            (folder / name).write_bytes(b"no picture")
    settings = LinesSettings()
    run_step("lines", [scans], out, settings, RunSettings(workers=7), progress=silent)
    assert [job.pieces for job in runs.jobs] == [(scans / "a.tif",), (scans / "b.tif",)]
    assert all(job.out == out and job.records.parent == out and list(job.tables) == ["lines"] for job in runs.jobs)
    assert all(job.tables["lines"] == {} for job in runs.jobs)
    runs.jobs.clear()
    run_step("lines", [results], out, settings, RunSettings(), progress=silent)
    assert [job.pieces[0].name for job in runs.jobs] == ["a_page.tif", "b_page.tif"]
    runs.jobs.clear()
    run_step("flats", [results, scans / "b.tif"], out, settings, RunSettings(), progress=silent)
    assert [job.pieces[0].name for job in runs.jobs] == ["a_lines.png", "b.tif"]
    with pytest.raises(BadSettings, match="does not exist"):
        run_step("lines", [tmp_path / "nowhere.tif"], out, settings, RunSettings(), progress=silent)


def test_a_failure_is_told_in_three_words() -> None:
    error = StitchbedError("a", expected="b", attempt="c")
    assert failure_of(error) == {"ok": False, "found": "a", "expected": "b", "try": "c"}
