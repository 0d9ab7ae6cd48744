"""I look at pieces as they come into a folder, and say of each at once whether it fits and what to scan next.

In: the folder a scanner's software writes to. Out: what is told of every new file: its verdict, its place, what is
covered. A file that is still being written is waited for; nothing is written here.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from stitchbed.core.errors import BadSettings, StitchbedError
from stitchbed.core.progress import Cancel, Progress, never, silent
from stitchbed.core.settings import Setting, check
from stitchbed.pipelines.check import CheckSettings, Kept, check_again
from stitchbed.pipelines.scanning.coverage import next_of, sizes_of
from stitchbed.reading.base.folder import may_be_piece
from stitchbed.reading.formats import read_header

PATIENCE = 30.0  # seconds after which a file that does not grow and cannot be read is told as it is

Told = Callable[[Mapping[str, Any]], None]


@dataclass(frozen=True)
class WatchSettings:
    """art, bed : sizes in words, for what comes next. calm : seconds a file has not grown before it is whole.

    every : seconds between two looks at the folder. check : of the looks at pieces.
    """

    art: Annotated[str | None, Setting("With --watch: the sheet, such as 420x594mm, to be told what comes next.")] = (
        None
    )
    bed: Annotated[str | None, Setting("With --watch: what the scanner sees, such as 216x297mm.")] = None
    calm: Annotated[float, Setting("Seconds a file has not grown.", shell=False, low=0, high=60)] = 1.0
    every: Annotated[float, Setting("Seconds between looks.", shell=False, low=0.01, high=60)] = 0.5
    workers: int = 2
    memory: int = 2**30


@dataclass
class _Seen:
    """Of a file: its size and time as last seen, since when (monotonic seconds), and whether it was told."""

    mark: tuple[int, int]
    since: float
    told: bool = False


def watch(
    folder: Path,
    told: Told,
    settings: WatchSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> dict[str, Any]:
    """Tell of every file that comes until `cancel` says so; returns the record of the last look.

    told : is given {"new": names, "record": of `check`, "next": see `next_of`} whenever something came.

    Raises
    ------
    BadSettings : no such folder; only one of the two sizes.
    """
    settings = settings or WatchSettings()
    check(settings)
    wanted = sizes_of(settings.art, settings.bed)
    if not folder.is_dir():
        raise BadSettings(f"no folder {folder}", expected="the folder scans are written to", attempt="its name")
    seen: dict[Path, _Seen] = {}
    kept, order = Kept(), dict[Path, None]()
    record: dict[str, Any] = {}
    while not cancel():
        new = settled_files(folder, seen, settings.calm)
        if new:
            order |= dict.fromkeys(new)
            paths = [path for path in order if path.exists()]
            looks = CheckSettings(workers=settings.workers, memory=settings.memory)
            with suppress(StitchbedError):  # all that came cannot be read: it is told, and the next is waited for
                record = dict(check_again(paths, kept, looks, progress=progress, cancel=cancel))
            found = {"new": [path.name for path in new], "record": record}
            told({**found, "next": next_of(record, [str(path) for path in order], wanted)})
        time.sleep(settings.every)
    return record


def settled_files(folder: Path, seen: dict[Path, _Seen], calm: float) -> list[Path]:
    """Files that are whole and were not told before; `seen` remembers them, and forgets those that are gone.

    A file is whole when it has not grown for `calm` seconds and its header can be read, or cannot for PATIENCE.
    """
    now, found = time.monotonic(), []
    with suppress(OSError):
        files = {path: path.stat() for path in sorted(folder.iterdir()) if path.is_file() and may_be_piece(path)}
        for gone in seen.keys() - files.keys():
            del seen[gone]
        for path, about in files.items():
            mark = about.st_size, about.st_mtime_ns
            one = seen.get(path)
            if one is None or one.mark != mark:
                seen[path] = _Seen(mark, now)
            elif not one.told and now - one.since >= calm and (_readable(path) or now - one.since > PATIENCE):
                one.told = True
                found.append(path)
    return found


def _readable(path: Path) -> bool:
    try:
        read_header(path)
    except (StitchbedError, OSError):
        return False
    return True
