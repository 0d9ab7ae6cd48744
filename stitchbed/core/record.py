"""I know where each derived file lives and write a record for every step.

In: paths of originals and outputs, numbers to remember. Out: files that appear whole or not at all, and JSON records.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, is_dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from stitchbed.core.errors import CannotWrite, WouldTouchOriginal

VERSION = "0.1.0"


@dataclass
class Record:
    """What one step did: everything in it goes to JSON as it is.

    seconds is wall time; inputs and outputs map names to sha256; numbers hold the step's own results.
    """

    step: str
    settings: dict[str, Any] = field(default_factory=dict)
    inputs: dict[str, str] = field(default_factory=dict)
    outputs: dict[str, str] = field(default_factory=dict)
    numbers: dict[str, Any] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    version: str = VERSION
    started: str = ""
    seconds: float = 0.0


@contextmanager
def recording(step: str, settings: object = None) -> Iterator[Record]:
    """Time one step: `with recording("links", settings) as record: record.numbers["links"] = 12`."""
    record = Record(step, settings=plain(settings) or {}, started=datetime.now(UTC).isoformat(timespec="seconds"))
    begun = time.perf_counter()
    try:
        yield record
    finally:
        record.seconds = round(time.perf_counter() - begun, 3)


def plain(value: object) -> Any:
    """`value` as JSON types: dataclasses, arrays, paths and numpy numbers made plain; NaN and infinities become
    None."""
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in (sorted(value) if isinstance(value, set | frozenset) else value)]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, bytes):
        return f"{len(value)} bytes"
    return str(value) if isinstance(value, Path) else value


def fingerprint(*parts: object) -> str:
    """sha256 of the parts as JSON: equal inputs and settings give equal fingerprints on every machine."""
    text = json.dumps([plain(part) for part in parts], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def sha256_of(path: Path) -> str:
    """Hash of a file, streamed."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def refuse_touching(path: Path, originals: Sequence[Path]) -> None:
    """Raise when writing `path` would alter an original.

    Raises
    ------
    WouldTouchOriginal : `path` is one of `originals` (same file, also through links).
    """
    for original in originals:
        same = path == original
        # a path that leads nowhere (links in a circle, a zero in its name) is no file, so it is nobody's original
        with suppress(OSError, RuntimeError, ValueError):
            same = same or path.resolve() == original.resolve()
        with suppress(OSError, ValueError):
            same = same or os.path.samefile(path, original)
        if same:
            raise WouldTouchOriginal(
                f"the output {path} is one of the input files",
                expected="an output path of its own; originals are never written to",
                attempt=f"another name, such as {path.with_stem(path.stem + '_joined').name}",
            )


@contextmanager
def claimed(path: Path, *, originals: Sequence[Path] = (), overwrite: bool = True) -> Iterator[Path]:
    """A path beside `path` to write to; renamed to `path` (after fsync) when the block ends well, removed when not.

    Raises
    ------
    WouldTouchOriginal : see `refuse_touching`; also when `overwrite` is False and the file exists.
    CannotWrite : the folder is missing or not writable, the disk is full.
    """
    refuse_touching(path, originals)
    if path.exists() and not overwrite:
        raise WouldTouchOriginal(
            f"{path} exists already",
            expected="a name that is free",
            attempt="another name, or --replace to write over it",
        )
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        partial.touch()
        yield partial
        with partial.open("rb+") as file:
            os.fsync(file.fileno())
        os.replace(partial, path)
        _sync_folder(path.parent)
    except OSError as error:
        raise cannot_write(path, error) from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)


def write_json(path: Path, content: object, *, originals: Sequence[Path] = ()) -> None:
    """Write `content` as JSON, whole or not at all."""
    with claimed(path, originals=originals) as partial:
        partial.write_text(json.dumps(plain(content), indent=1, allow_nan=False) + "\n", encoding="utf-8")


def cannot_write(path: Path, error: OSError) -> CannotWrite:
    """The error of a failed write in words."""
    reason = error.strerror or str(error)
    return CannotWrite(
        f"writing {path} failed ({reason.lower()}); no file was left under that name by this job",
        expected="an existing folder that can be written to, with room for the result",
        attempt="another folder or disk with -o, or make room, then run the same command again",
    )


def _sync_folder(folder: Path) -> None:
    """Make the rename itself survive a power cut; not every file system allows it."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
