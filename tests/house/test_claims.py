"""I check that no command ever writes over what it reads, or over anything it did not make.

Every file it writes in turn is, before the command begins, an input under another name, or somebody's own work.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import pytest
import small_jobs

from stitchbed.core.errors import WouldTouchOriginal
from stitchbed.core.files import MADE

MINE = b"hours of somebody's work"


@dataclass(frozen=True)
class _Done:
    """A job that ran once into an empty folder: what it wrote there."""

    job: small_jobs.SmallJob
    out: Path
    written: tuple[str, ...]


ALIKE = (
    "join",
    "join-two",
    "join-png",
    "join-jpeg",
    "join-raw",
    "check",
    "card",
)  # of others, slow, or without results


@pytest.fixture(scope="module", params=sorted(set(small_jobs.JOBS) - set(ALIKE)))
def done(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> _Done:
    """The job, its inputs, and the names of all it writes."""
    folder = tmp_path_factory.mktemp("claims")
    job, out = small_jobs.JOBS[request.param](folder / "in"), folder / "out"
    out.mkdir()
    result = small_jobs.invoke(job.words, out)
    assert result.exception is None, result.exception
    files = [path.relative_to(out) for path in out.rglob("*") if path.is_file() and path.name != MADE]
    assert not [path for path in files if path.name.startswith(".")]
    inside = {path.parts[0] for path in files if len(path.parts) > 1 and path.parts[0] not in ("result", "records")}
    return _Done(job, out, tuple(sorted({str(path) for path in files if path.parts[0] not in inside} | inside)))


def _hashes(job: small_jobs.SmallJob) -> list[str]:
    return [hashlib.sha256(path.read_bytes()).hexdigest() for path in job.reads]


@pytest.mark.parametrize("way", ["hard link", "symbolic link"])
def test_no_file_that_is_read_is_written(done: _Done, tmp_path: Path, way: str) -> None:
    before = _hashes(done.job)
    for number, name in enumerate(done.written):
        for read in done.job.reads:
            target = tmp_path / f"{number}-{read.name}" / name
            target.parent.mkdir(parents=True)
            target.hardlink_to(read) if way == "hard link" else target.symlink_to(read)
            result = small_jobs.invoke(done.job.words, tmp_path / f"{number}-{read.name}")
            assert isinstance(result.exception, WouldTouchOriginal), (name, read)
            assert target.exists() and target.samefile(read), (name, read)
    assert _hashes(done.job) == before


def test_what_was_not_made_here_is_refused_and_kept_aside_when_asked(done: _Done, tmp_path: Path) -> None:
    for number, name in enumerate(done.written):
        out = tmp_path / str(number)
        (out / name).parent.mkdir(parents=True)
        (out / name).write_bytes(MINE)
        result = small_jobs.invoke(done.job.words, out)
        assert isinstance(result.exception, WouldTouchOriginal), name
        assert (out / name).read_bytes() == MINE and "--replace" in str(result.exception)
        if number == len(done.written) // 2:
            result = small_jobs.invoke((*done.job.words, "--replace"), out)
            assert result.exception is None, result.exception
            aside = (out / name).with_name(f"{Path(name).stem}-1{Path(name).suffix}")
            assert aside.read_bytes() == MINE and (not (out / name).is_file() or (out / name).read_bytes() != MINE)


def test_own_results_are_written_over_until_they_are_retouched(done: _Done) -> None:
    assert small_jobs.invoke(done.job.words, done.out).exception is None
    name = next(one for one in done.written if one.endswith((".tif", ".png", ".pdf", ".svg")))
    retouched = (done.out / name).read_bytes() + b"!"
    (done.out / name).write_bytes(retouched)
    result = small_jobs.invoke(done.job.words, done.out)
    assert result.exception is None or isinstance(result.exception, WouldTouchOriginal)
    assert (done.out / name).read_bytes() == retouched
