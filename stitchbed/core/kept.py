"""I keep what a stopped job goes on from, so that nothing damaged is ever taken for whole.

In: a head that says what is kept, and its bytes. Out: one file, whole or not at all, that tells whether it is still as
it was written.

A kept file is one line of JSON (the head), the bytes, and the CRC-32 (ISO 3309) of all before it. Names of files are
not believed: a head that says another job, row or codec is as good as no file.
"""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO

CHUNK = 1 << 22  # bytes checked at a time
CHECK = 4  # bytes of the CRC-32 at the end
UNREADABLE = (OSError, ValueError, RecursionError)  # the last of brackets in brackets in brackets
MOST_HEAD = 1 << 24  # bytes; the head of a row of 100,000 segments is a tenth of it


def keep(path: Path, head: Mapping[str, Any], parts: Iterable[bytes], *, lasting: bool = True) -> None:
    """Write `parts` under `head` to `path`, whole or not at all.

    lasting : also through a power cut; without, it is quicker and only as safe as the process that wrote it.

    Raises
    ------
    OSError : no room, no folder.
    """
    partial = path.with_name(f"{path.name}.partial")
    with partial.open("wb") as file:
        check = 0
        for part in (json.dumps(dict(head)).encode() + b"\n", *parts):
            check = zlib.crc32(part, check)
            file.write(part)
        file.write(check.to_bytes(CHECK, "big"))
        if lasting:
            file.flush()
            os.fsync(file.fileno())
    partial.replace(path)
    if lasting:
        sync_folder(path.parent)


def is_kept(path: Path, expected: Mapping[str, Any]) -> bool:
    """Whether `path` is whole, as it was written, and its head holds all of `expected`."""
    with suppress(*UNREADABLE), path.open("rb") as file:
        if not _says(_head_of(file), expected):
            return False
        file.seek(0)
        left, check = os.fstat(file.fileno()).st_size - CHECK, 0
        while left > 0:
            part = file.read(min(CHUNK, left))
            if not part:
                return False
            check, left = zlib.crc32(part, check), left - len(part)
        return file.read() == check.to_bytes(CHECK, "big")
    return False


@contextmanager
def open_kept(path: Path) -> Iterator[tuple[dict[str, Any], BinaryIO]]:
    """Head of a kept file, and the file at the first of its bytes. To be asked `is_kept` before.

    Raises
    ------
    OSError, ValueError : it is gone, or is no kept file.
    """
    with path.open("rb") as file:
        yield _head_of(file), file


def kept_bytes(path: Path, expected: Mapping[str, Any]) -> tuple[dict[str, Any], bytes] | None:
    """A head that holds all of `expected`, and all bytes under it; None when there are none that can be believed."""
    with suppress(*UNREADABLE):
        content = path.read_bytes()
        body, check = content[:-CHECK], content[-CHECK:]
        line, found, rest = body.partition(b"\n")
        if found and zlib.crc32(body).to_bytes(CHECK, "big") == check and _says(head := json.loads(line), expected):
            return head, rest
    return None


def sync_folder(folder: Path) -> None:
    """Make a rename itself survive a power cut; not every file system allows it."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _head_of(file: BinaryIO) -> dict[str, Any]:
    head = json.loads(file.readline(MOST_HEAD))
    if not isinstance(head, dict):
        raise ValueError("no head")
    return head


def _says(head: object, expected: Mapping[str, Any]) -> bool:
    return isinstance(head, dict) and all(key in head and head[key] == value for key, value in expected.items())
