"""I let one job at a time write a result, and sweep up after jobs that were killed.

In: the path of a result. Out: the right to write it, or an error at once.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from stitchbed.core.errors import CannotWrite
from stitchbed.core.files import cannot_write

try:
    import fcntl
except ImportError:  # a system that knows no such locks: results are still whole, only the later job wins
    fcntl = None  # type: ignore[assignment]

# what a killed job leaves: begun files and folders, named by the process that made them
LEFT = re.compile(r"\.(?P<name>.+)\.(?P<pid>\d+)(\.\w+)?\.(partial|rows|old\.partial)", re.DOTALL)


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """The right to write `path`, held until the block ends or the process dies.

    Raises
    ------
    CannotWrite : another job writes it now; the folder cannot be written.
    """
    lock = path.with_name(f".{path.name}.lock")
    handle = _held(lock, path)
    try:
        yield
    finally:
        if handle is not None:
            with suppress(OSError):
                lock.unlink()
            os.close(handle)


def sweep(paths: Sequence[Path]) -> None:
    """Take away what killed jobs left of these results: begun files of processes that are no more."""
    names = {path.name for path in paths}
    for folder in {path.parent for path in paths}:
        with suppress(OSError):
            for left in list(folder.iterdir()):
                found = LEFT.fullmatch(left.name)
                if found and found["name"] in names and not _alive(int(found["pid"])):
                    shutil.rmtree(left, ignore_errors=True) if left.is_dir() else left.unlink(missing_ok=True)


def _held(lock: Path, path: Path) -> int | None:
    """An open file that is locked; None where nothing can be locked."""
    if fcntl is None:
        return None
    while True:
        try:
            handle = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
        except OSError as error:
            raise cannot_write(path, error) from error
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            os.close(handle)
            raise CannotWrite(
                f"another job is writing {path} at this moment",
                expected="one job at a time for each result",
                attempt="another name, or the same command again when the other job has ended",
            ) from error
        except OSError:  # a disk in the network that knows no locks
            return handle
        with suppress(OSError):
            if os.path.samestat(os.fstat(handle), os.stat(lock)):  # else its last holder took it away meanwhile
                return handle
        os.close(handle)


def _alive(pid: int) -> bool:
    """Whether a process of that number runs; one of another user counts."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True
