"""I check that many works are done at once, in processes and on a real cluster, and that no failure stops another.

The real works are pairs of tiny pieces; the failing one is a file that is no picture under a picture's name.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import distributed
import pytest
import tifffile
import truth

from stitchbed.core.errors import BadSettings, CannotWrite, WorksFailed
from stitchbed.core.files import sha256_of
from stitchbed.jobs import batch
from stitchbed.jobs.batch import do_work, raise_failed, run_each
from stitchbed.jobs.run import RunSettings
from stitchbed.jobs.works import BatchSettings, Work, at_once, record_path, works_of

GIB = 2**30
EAST = Path("east") / "out" / "east_canvas.tif"


@pytest.fixture(scope="module")
def pieces(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two pieces of one tiny sheet."""
    folder = tmp_path_factory.mktemp("pieces")
    truth.write_set(folder, truth.make_set(1, 2, seed=3, shape=(200, 260))[1], dpi=150)
    return folder


@pytest.fixture
def works(tmp_path: Path, pieces: Path) -> Path:
    """Works: a folder without a job file, one with, one that must fail; and a note beside them."""
    folder = tmp_path / "works"
    for name in ("east", "west", "lost"):
        (folder / name).mkdir(parents=True)
    for name in ("east", "west"):
        for path in pieces.iterdir():
            os.link(path, folder / name / path.name)
    (folder / "west" / "job.toml").write_text('[join]\noutside = "paper"\n')
    (folder / "lost" / "scan.tif").write_text("no picture")
    (folder / "notes.txt").write_text("which side was up")
    return folder


def quiet(step: str, done: int, total: int) -> None:
    """A progress nobody sees."""


def counting(work: Work) -> dict[str, Any]:
    """A work that takes no time: fails, dies, raises or is done, as its name says; counts its calls in its folder."""
    tries = work.path / "tries"
    tries.write_text(tries.read_text() + "." if tries.exists() else ".")
    if "dies" in work.name:
        os.kill(os.getpid(), signal.SIGKILL)
    if "raises" in work.name:
        raise ValueError("not foreseen")
    return {"name": work.name, "ok": True, "text": "well", "seconds": 0.0, "host": "h", "version": batch.VERSION}


def folders(root: Path, *names: str) -> list[Path]:
    """Empty folders."""
    for name in names:
        (root / name).mkdir(parents=True)
    return [root / name for name in names]


def check(folder: Path, told: dict[str, Any]) -> None:
    """What the batch of `works` must have made, whoever did it."""
    by_name = {result["name"]: result for result in told["works"]}
    assert {name: result["ok"] for name, result in by_name.items()} == {"east": True, "west": True, "lost": False}
    assert told["failed"] == ["lost"] and told["passed_over"] == ["notes.txt"]
    assert "scan.tif is no picture" in by_name["lost"]["found"] and by_name["lost"]["try"]
    for path in (folder / EAST, folder / "west" / "out" / "west_canvas.tif"):
        with tifffile.TiffFile(path) as file:
            assert file.pages.first.shape[1] > 260
    assert json.loads((folder / "batch.json").read_text())["failed"] == ["lost"]
    with pytest.raises(WorksFailed, match="1 of 3 works failed: lost"):
        raise_failed(told)


def test_in_processes_of_this_machine_and_again(works: Path) -> None:
    settings = BatchSettings(at_once=2, run=RunSettings("join", memory=GIB, workers=2))
    steps: list[tuple[str, int, int]] = []
    told, text = run_each(sorted(works.iterdir()), settings, progress=lambda *step: steps.append(step))
    check(works, told)
    assert steps == [("works", 1, 3), ("works", 2, 3), ("works", 3, 3)]
    assert "lost: FAILED" in text and "2 of 3 works done" in text
    first = sha256_of(works / EAST)
    # the record now lies among the works: `FOLDER/*` finds it too, and it is passed over
    told, text = run_each(sorted(works.iterdir()), settings, progress=quiet)
    states = {work["name"]: [row["state"] for row in work.get("steps", [])] for work in told["works"]}
    assert states == {"east": ["unchanged"], "west": ["unchanged"], "lost": []}
    assert "batch.json" in told["passed_over"]
    assert sha256_of(works / EAST) == first


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    """The scheduler's address of a real cluster: one worker process on this machine."""
    with distributed.LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=True,
        dashboard_address="127.0.0.1:0",
        silence_logs=50,
        memory_limit=0,
    ) as workers:  # fmt: skip
        yield workers.scheduler_address


def test_on_a_cluster(works: Path, cluster: str) -> None:
    told, _ = run_each(sorted(works.iterdir()), BatchSettings(cluster=cluster, run=RunSettings("join")), progress=quiet)
    check(works, told)
    here = do_work(Work("again", works / "east", works / "here", RunSettings("join")))
    assert here["ok"] and sha256_of(works / "here" / "east_canvas.tif") == sha256_of(works / EAST)


def test_what_is_raised_on_a_cluster_fails_its_own_work_only(tmp_path: Path, cluster: str) -> None:
    paths = folders(tmp_path, "a", "raises", "b")
    told, _ = run_each(paths, BatchSettings(cluster=cluster), progress=quiet, task=counting)
    assert told["failed"] == ["raises"] and "not foreseen" in told["works"][1]["found"]


def test_from_the_shell_with_a_failing_work(works: Path) -> None:
    command = [sys.executable, "-m", "stitchbed", "run", "--each", str(works / "east"), str(works / "lost")]
    told = subprocess.run(
        [*command, "--at-once", "1", "--upto", "join", "--json"], capture_output=True, text=True, check=False
    )
    assert told.returncode == 1
    record = json.loads(told.stdout)
    assert record["failed"] == ["lost"] and (works / EAST).exists()
    assert "1 of 2 works failed: lost" in told.stderr


def test_a_process_that_dies_fails_its_own_work_only(tmp_path: Path) -> None:
    paths = folders(tmp_path, "a", "dies", "b", "raises", "c")
    told, text = run_each(paths, BatchSettings(at_once=2), progress=quiet, task=counting)
    assert [result["name"] for result in told["works"]] == ["a", "dies", "b", "raises", "c"]
    assert told["failed"] == ["dies", "raises"]
    assert "died without a word" in told["works"][1]["found"] and "--at-once 1" in told["works"][1]["try"]
    assert "not foreseen" in told["works"][3]["found"]
    assert len((tmp_path / "dies" / "tries").read_text()) == 2  # with the others, and alone
    assert "3 of 5 works done" in text


def test_what_nobody_foresaw_is_a_result_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr(batch, "run_whole", broken)
    (tmp_path / "one.toml").write_text("[join]\n")
    result = do_work(Work("one", tmp_path / "one.toml", None, RunSettings()))
    assert not result["ok"] and "ZeroDivisionError: by nothing" in result["found"] and "broken" in result["details"]


def test_a_bad_job_file_fails_its_own_work(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("[joyn]\n")
    for path in (tmp_path / "bad.toml", tmp_path / "missing"):
        result = do_work(Work("one", path, None, RunSettings()))
        assert not result["ok"] and path.name in result["found"]


def test_names_and_places_of_works(tmp_path: Path) -> None:
    folders(tmp_path, "plain", "with", "o")
    for path in (tmp_path / "with" / "job.toml", tmp_path / "evening.toml"):
        path.write_text("[join]\n")
    asked = [tmp_path / "plain", tmp_path / "with", tmp_path / "evening.toml", tmp_path / "missing"]
    found, passed = works_of(asked, BatchSettings())
    assert [work.name for work in found] == ["plain", "with", "evening", "missing"] and passed == []
    assert {work.out for work in found} == {None}
    out = tmp_path / "new" / "o"
    found, _ = works_of(asked[:3], BatchSettings(out=out))
    assert [work.out for work in found] == [out / "plain", out / "with", out / "evening"] and out.is_dir()
    assert record_path(found, BatchSettings(out=out)) == out / "batch.json"
    assert record_path(found, BatchSettings()) == tmp_path.resolve() / "batch.json"
    with pytest.raises(BadSettings, match="several works called with"):
        works_of([tmp_path / "with", tmp_path / "with" / "job.toml"], BatchSettings())
    (tmp_path / "notes.txt").write_text("which side was up")
    with pytest.raises(BadSettings, match="no work"):
        works_of([tmp_path / "notes.txt"], BatchSettings())
    with pytest.raises(BadSettings, match=r"nothing at .*nowhere.\*"):
        works_of([tmp_path / "nowhere" / "*"], BatchSettings())
    with pytest.raises(CannotWrite):
        works_of(asked[:1], BatchSettings(out=tmp_path / "evening.toml"))


@pytest.mark.parametrize(
    ("wanted", "memory", "cores", "expected"),
    [
        (None, GIB, 8, 2),
        (None, 4 * GIB, 2, 2),
        (None, 2**20, 8, 1),
        (3, 2**20, 1, 3),
        (64, GIB, 2, 5),
        (None, 16 * GIB, 64, 5),
    ],
)
def test_memory_and_threads_are_shared_out(
    wanted: int | None, memory: int, cores: int, expected: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    paths = folders(tmp_path, *"abcde")
    settings = BatchSettings(at_once=wanted, run=RunSettings(memory=memory, workers=4))
    assert at_once(paths, settings) == expected
    shares = {(work.run.memory, work.run.workers) for work in works_of(paths, settings)[0]}
    assert shares == {(memory // expected, max(1, 4 // expected))}
    on_cluster = BatchSettings(cluster="tcp://x:1", run=settings.run)
    assert works_of(paths, on_cluster)[0][0].run == settings.run


def test_no_way_to_a_cluster_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = folders(tmp_path, "a")
    monkeypatch.setattr(batch, "CONNECT_SECONDS", 0.3)
    with pytest.raises(BadSettings, match=r"no scheduler at tcp://127\.0\.0\.1:9"):
        run_each(paths, BatchSettings(cluster="tcp://127.0.0.1:9"), progress=quiet)
    with pytest.raises(BadSettings, match="no scheduler at nonsense://x"):
        run_each(paths, BatchSettings(cluster="nonsense://x"), progress=quiet)
    with pytest.raises(BadSettings, match="--at-once together with --cluster"):
        run_each(paths, BatchSettings(cluster="tcp://127.0.0.1:9", at_once=2), progress=quiet)
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(BadSettings, match="distributed is not installed") as caught:
        run_each(paths, BatchSettings(cluster="tcp://127.0.0.1:9"), progress=quiet)
    assert "stitchbed[cluster]" in caught.value.attempt


def test_workers_of_another_version_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = folders(tmp_path, "a")
    monkeypatch.setattr(batch, "VERSION", "9.9")
    told, text = run_each(paths, BatchSettings(at_once=1), progress=quiet, task=counting)
    assert told["warnings"] == ["version 9.9 is here, but a was done by 0.1.0"] and "Note: version 9.9" in text


def test_a_worker_that_cannot_see_the_files_says_where_it_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platform.node", lambda: "attic.example.net")
    result = do_work(Work("gone", tmp_path / "gone", None, RunSettings(), seen=True))
    assert not result["ok"]
    assert "gone, which the worker on attic cannot see" in result["found"]
    assert "share their folder with attic" in result["try"]
    misspelled = do_work(Work("gone", tmp_path / "gone", None, RunSettings()))
    assert "the worker on" not in misspelled["found"]
