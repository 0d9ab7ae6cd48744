"""I turn what a batch was given into works: what each is called, where its results go, what it may use.

In: paths and settings. Out: `Work` values that can be sent to another process or machine.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated

from stitchbed.core.addresses import file_of
from stitchbed.core.errors import BadSettings
from stitchbed.core.files import cannot_write
from stitchbed.core.record import RECORDS
from stitchbed.core.settings import Setting
from stitchbed.jobs.job_file import JOB, page_name
from stitchbed.jobs.run import RunSettings
from stitchbed.reading.base.folder import may_be_piece

RECORD = "batch.json"
LEAST_MEMORY = 512 * 2**20  # bytes a work should have to itself before another is done beside it


@dataclass(frozen=True)
class BatchSettings:
    """at_once : works at a time on this machine, None: as many as processors and memory allow.

    cluster : address of a scheduler, None: this machine. out : folder for all results, None: beside each work.
    run : for each work; its memory and workers are shared out among works at a time, on a cluster given to each.
    """

    at_once: Annotated[
        int | None, Setting("With --each: works at a time, sharing memory and threads.", low=1, high=64)
    ] = None
    cluster: Annotated[
        str | None, Setting("With --each: the Dask scheduler whose workers do the works.", unit="ADDRESS")
    ] = None
    out: Path | None = None
    run: RunSettings = field(default_factory=RunSettings)


@dataclass(frozen=True)
class Work:
    """One work, as sent to another process or machine: what to do, where to, how; seen : its files were there then."""

    name: str
    path: Path
    out: Path | None
    run: RunSettings
    seen: bool = False


def works_of(paths: Sequence[Path], settings: BatchSettings) -> tuple[list[Work], list[Path]]:
    """Works, and files that are none: earlier results and notes, as `FOLDER/*` finds them.

    Raises
    ------
    BadSettings : no works, none that is there, or two that would write the same files. CannotWrite : no folder for
    results.
    """
    if settings.cluster is not None and settings.at_once is not None:
        raise BadSettings(
            "--at-once together with --cluster", expected="one of them", attempt="--cluster alone: its workers decide"
        )
    asked = [path for path in paths if _may_be_work(path)]
    if not asked:
        raise BadSettings(
            "no work among what was named", expected="job files, folders, or pictures", attempt="FOLDER/*"
        )
    if not any(file_of(path).exists() for path in asked):
        raise BadSettings(
            f"nothing at {', '.join(map(str, asked))}",
            expected="job files, folders, or pictures that are there",
            attempt="the spelling of the folder; a pattern as FOLDER/*.tif must fit the ending of the files",
        )
    names = [_name(path) for path in asked]
    twice = [name for name, count in Counter(names).items() if count > 1]
    if twice:
        raise BadSettings(
            f"several works called {', '.join(twice)}",
            expected="a name of its own for each work, as its results and its record go by it",
            attempt="other names for them, or one batch after the other",
        )
    if settings.out is not None:
        _make(settings.out)
    return [
        Work(name, path.absolute(), _out(path, name, settings), _shared(asked, settings), file_of(path).exists())
        for name, path in zip(names, asked, strict=True)
    ], [path for path in paths if path not in asked]


def is_picture(path: Path) -> bool:
    """A file that may be a page of its own."""
    return file_of(path).is_file() and may_be_piece(path)


def _may_be_work(path: Path) -> bool:
    """A folder, a job file or a picture; or what is not there: that is a work that fails, not one to be silent about.

    Folders of results, which `FOLDER/*` finds too, are none.
    """
    if path.name.startswith(".") and path.name != "..":
        return False
    if path.is_dir():
        return (path / JOB).is_file() or not (path / RECORDS).is_dir()
    return path.suffix.lower() == ".toml" or is_picture(path) or not file_of(path).exists()


def record_path(works: Sequence[Work], settings: BatchSettings) -> Path:
    """Where the record of the batch goes: into the folder for results, else the one all works lie in.

    Raises
    ------
    BadSettings : they lie on several disks.
    """
    if settings.out is not None:
        return settings.out / RECORD
    try:
        return Path(os.path.commonpath([work.path.parent.resolve() for work in works])) / RECORD
    except ValueError as error:
        raise BadSettings("works on several disks", expected="a folder for the record", attempt="-o FOLDER") from error


def _name(path: Path) -> str:
    """A folder's or job file's own name; `job.toml` goes by its folder, a picture as its results do."""
    if is_picture(path):
        return page_name(path)
    whole = path.resolve()
    return whole.parent.name if whole.name == JOB else whole.stem if whole.suffix == ".toml" else whole.name


def _out(path: Path, name: str, settings: BatchSettings) -> Path | None:
    """The folder of one work's results; those of single pages lie together."""
    if settings.out is None:
        return None
    return (settings.out if is_picture(path) else settings.out / name).absolute()


def _shared(works: Sequence[object], settings: BatchSettings) -> RunSettings:
    """Each work's part of memory and threads."""
    if settings.cluster is not None:
        return settings.run
    share = at_once(works, settings)
    whole = settings.run
    return replace(whole, memory=whole.memory // share, workers=max(1, whole.workers // share))


def at_once(works: Sequence[object], settings: BatchSettings) -> int:
    """Works at a time on this machine."""
    fit = min(os.cpu_count() or 1, settings.run.memory // LEAST_MEMORY)
    return max(1, min(len(works), settings.at_once or fit))


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise cannot_write(folder, error) from error
