"""I check a job of single pages on the desk: each done as `run` does it, each looked at, one that fails told."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from desks import OWN, client_of
from small_jobs import page

from stitchbed.core.errors import BadSettings
from stitchbed.core.files import sha256_of
from stitchbed.core.progress import silent
from stitchbed.desk.job.acts import Scene, done
from stitchbed.desk.session import Session
from stitchbed.desk.work import child
from stitchbed.jobs.job_file import job_of
from stitchbed.jobs.pages import run_whole, together
from stitchbed.jobs.run import RunSettings
from stitchbed.jobs.steps import STEPS
from stitchbed.pipelines.check import Kept

JOB = 'name = "book"\npages = ["scans"]\n\n[clean]\n'


def book(folder: Path) -> Path:
    """Two pages, and a damaged one."""
    (folder / "scans").mkdir(parents=True)
    for name, tint in (("fox.tif", 1.0), ("owl & hare.tif", 0.97)):
        page(folder / "scans" / name, tint=tint)
    (folder / "scans" / "torn.tif").write_bytes((folder / "scans" / "fox.tif").read_bytes()[:600])
    (folder / "job.toml").write_text(JOB)
    return folder


def within(session: Session) -> None:
    """Work is done in this process, and nothing is looked at by itself."""

    class Here:
        def say(self, **words: Any) -> None:
            """Nothing."""

        def progress(self, *step: Any) -> None:
            """Nothing."""

    async def do(request: dict[str, Any], progress: Callable[..., None], **others: Any) -> Any:
        return await asyncio.to_thread(child._do, request, Kept(), Here())  # type: ignore[arg-type]

    async def nothing() -> None:
        return None

    session.worker.do = do  # type: ignore[method-assign]
    session.look_about = nothing  # type: ignore[method-assign]


def test_pages_are_done_as_run_does_them_and_one_that_fails_is_told(tmp_path: Path) -> None:
    job, other = book(tmp_path / "desk"), book(tmp_path / "shell")
    with client_of(job) as (client, session, _):
        within(session)
        first = client.get("/").text
        assert "Pages" in first and "/at/placing" not in first and "/at/canvas" not in first
        assert client.get("/at/placing").status_code == client.get("/at/clean/nobody").status_code == 404
        assert client.post("/start", json={"stop": "canvas"}, headers=OWN).status_code == 409
        before = client.get("/at/clean/fox").text
        assert "Before this step: fox.tif" in before
        assert client.post("/start", json={"stop": "clean"}, headers=OWN).status_code == 200
        while session.running is not None:
            client.get("/guide")
        shown = client.get("/at/clean/owl%20%26%20hare").text
        assert 'aria-current="page">owl &amp; hare' in shown and "out/owl &amp; hare_page.tif" in shown
        assert "1 of 3 pages are not done: torn" in shown
        assert client.get("/at/clean/torn").text.count("not begun") >= 2
        assert len(session.job.rows()[0]["outputs"]) == 2 and session.job.rows()[0]["state"] == "not begun"
        assert session.job.rows("fox")[0]["state"] == "done"
    run_whole(job_of(other, list(STEPS)), RunSettings(workers=1), progress=silent)
    made = sorted((other / "out").glob("*.tif"))
    assert [one.name for one in made] == ["fox_page.tif", "owl & hare_page.tif"]
    assert [sha256_of(job / "out" / one.name) for one in made] == [sha256_of(one) for one in made]


def test_pages_are_looked_at_one_by_one(tmp_path: Path) -> None:
    """No page is compared with another; one that cannot be judged is told and stops no other."""
    paths = sorted((book(tmp_path) / "scans").iterdir())
    request = {"task": "check", "paths": paths, "pages": True, "workers": 1, "memory": 2**28}
    with client_of(tmp_path) as (_, session, _access):
        within(session)
        told = asyncio.run(session.worker.do(request, lambda *step: None))
    assert told["set"] == {"verdict": "good", "findings": []} and told["placements"] == []
    assert len(told["warnings"]) + len(told["pieces"]) >= 3
    assert any("torn.tif" in words for words in told["warnings"])


def test_a_step_stands_as_the_page_that_is_least_far() -> None:
    def row(state: str, *outputs: str) -> dict[str, Any]:
        return {"step": "clean", "state": state, "outputs": list(outputs), "warnings": ["dusty"] if outputs else []}

    found = together({"a": [row("done", "a.tif")], "b": [row("not begun")], "c": [row("changed", "c.tif")]})
    assert found == [
        {"step": "clean", "state": "changed", "outputs": ["a.tif", "c.tif"], "warnings": ["a: dusty", "c: dusty"]}
    ]
    assert together({"a": [row("done")], "b": [row("not begun")]})[0]["state"] == "not begun"
    assert together({"a": [row("done")]})[0]["state"] == "done" and together({}) == []


def test_nothing_is_joined_and_a_folder_of_pages_is_added_to_the_pages(tmp_path: Path) -> None:
    (tmp_path / "more").mkdir()
    (tmp_path / "scans").mkdir()
    scene = Scene(tmp_path, {}, {"more": tmp_path / "more"})
    with pytest.raises(BadSettings, match="single pages"):
        done(JOB, "do_step", {"step": "join"}, scene)
    assert 'pages = ["scans", "more"]' in done(JOB, "add_folder", {"folder": "more"}, scene)[0]
