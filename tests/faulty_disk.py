"""I am a disk that fails at a chosen call, so that every write, sync and rename of a job can be made to fail in turn.

In: the number of the call to fail at. Out: files that are real, but whose n-th call raises what a real disk raises.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest


@dataclass
class Disk:
    """at : number of the call (from 1) that fails, 0 for none. lasting : all later ones fail too, as on a full disk.

    folder : only files below it count. calls : names of all calls so far.
    """

    folder: Path
    at: int = 0
    code: int = errno.ENOSPC
    lasting: bool = False
    calls: list[str] = field(default_factory=list)
    lock: Any = field(default_factory=threading.Lock)

    def meet(self, name: str, path: object) -> None:
        """Count one call; raise when it is its turn."""
        if not str(path).startswith(str(self.folder)):
            return
        with self.lock:
            self.calls.append(name)
            number = len(self.calls)
        if self.at and (number == self.at or (self.lasting and number > self.at)):
            raise OSError(self.code, os.strerror(self.code), str(path))


class _Raw(io.FileIO):
    """A file whose every write is counted as it reaches the system."""

    disk: Disk

    def write(self, data: Any) -> int:
        self.disk.meet("write", self.name)
        return super().write(data)


def _opener(disk: Disk, real: Callable[..., Any]) -> Callable[..., Any]:
    """`open` that counts making a file and writing to it; small buffers, so that small pictures take several writes."""

    def opened(
        file: Any, mode: str = "r", buffering: int = -1, encoding: str | None = None, *rest: Any, **more: Any
    ) -> Any:
        writes = set(mode) & set("wax+") and isinstance(file, str | os.PathLike)
        if not writes or not os.fspath(file).startswith(str(disk.folder)):
            return real(file, mode, buffering, encoding, *rest, **more)
        disk.meet("open", os.fspath(file))
        raw = _Raw(os.fspath(file), mode.replace("b", "").replace("t", ""))
        raw.disk = disk
        if buffering == 0:
            return raw
        buffered = io.BufferedRandom(raw, 65536) if "+" in mode else io.BufferedWriter(raw, 65536)
        return buffered if "b" in mode else io.TextIOWrapper(buffered, encoding or "utf-8")

    return opened


@contextmanager
def failing(disk: Disk) -> Iterator[Disk]:
    """Everything written below the disk's folder meets the disk while the block runs."""
    with pytest.MonkeyPatch.context() as patch:
        opened = _opener(disk, builtins.open)
        patch.setattr(builtins, "open", opened)
        patch.setattr(io, "open", opened)
        for name in ("replace", "rename", "mkdir"):
            patch.setattr(os, name, _named(disk, name, getattr(os, name)))
        # counted but not done: a test has no power cut to survive, and a real sync takes longer than all the rest
        patch.setattr(os, "fsync", lambda handle: disk.meet("fsync", disk.folder))
        yield disk


def _named(disk: Disk, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
    def call(path: Any, *rest: Any, **more: Any) -> Any:
        disk.meet(name, os.fspath(path))
        return real(path, *rest, **more)

    return call
