"""I make the record of every step: what it holds, and how it names files.

In: numbers to remember, paths. Out: JSON records that may be passed on: they name files from where they lie themselves,
and say nothing of the folders above, which bear names of people and machines.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, is_dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

VERSION = "0.1.0"
RECORDS = "records"  # the folder beside a job's results that holds all records
# folders of an absolute path within a sentence; /.../ of this and \\...\\ of that system, with or without a disk
FOLDERS = re.compile(r"(?<![\w.:/\\-])(?:[A-Za-z]:)?(?:/(?:[^/\s:;,'\"]+/)+|\\(?:[^\\\s:;,'\"]+\\)+)(?=[^/\s\\])")


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
    record = Record(
        step, settings=plain(settings, told=as_it_is) or {}, started=datetime.now(UTC).isoformat(timespec="seconds")
    )
    begun = time.perf_counter()
    try:
        yield record
    finally:
        record.seconds = round(time.perf_counter() - begun, 3)


def plain(value: object, *, told: Callable[[Path | str], Any] = str) -> Any:
    """`value` as JSON types: dataclasses, arrays, paths and numpy numbers made plain; NaN and infinities become
    None.

    told : what is said of each path and in each text.
    """
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value), told=told)
    if isinstance(value, dict):
        return {str(key): plain(item, told=told) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item, told=told) for item in (sorted(value) if isinstance(value, set | frozenset) else value)]
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if hasattr(value, "tolist"):  # arrays and numbers of numpy, which is not loaded for this
        return plain(value.tolist(), told=told)
    if isinstance(value, bytes):
        return f"{len(value)} bytes"
    return told(value) if isinstance(value, Path | str) else value


def beside(content: object, folder: Path, *, full: bool = False) -> Any:
    """`content` as it is kept in `folder`: paths named from there, and no folders of whole paths in its texts.

    full : name whole paths instead.
    """

    def told(value: Path | str) -> str:
        whole = isinstance(value, Path) or (os.path.isabs(value) and not re.search(r"\s", value))
        if isinstance(value, str) and (full or not whole):
            return value if full else without_folders(value)
        return os.path.abspath(value) if full else name_beside(Path(value), folder)

    return plain(content, told=told)


def name_beside(path: Path, folder: Path) -> str:
    """The path from `folder`, or the name alone where that would lead through the top or the folder of all homes."""
    place, home = os.path.realpath(path.parent), os.path.realpath(folder)
    try:
        shared = os.path.commonpath([place, home])
    except ValueError:  # on several disks
        return path.name
    if shared in (os.path.dirname(shared), os.path.dirname(os.path.expanduser("~"))):
        return path.name
    return Path(os.path.relpath(os.path.join(place, path.name), home)).as_posix()


def without_folders(text: str) -> str:
    """The text with whole paths in it cut down to their last names."""
    return FOLDERS.sub("", text)


def as_it_is(value: Path | str) -> Path | str:
    """For `plain`: leave paths for whoever knows where the record will lie."""
    return value


def fingerprint(*parts: object) -> str:
    """sha256 of the parts as JSON: equal inputs and settings give equal fingerprints on every machine."""
    text = json.dumps([plain(part) for part in parts], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def notes_of(output: Path, records: Path | None = None) -> Path:
    """The record to write for a result; what else tells of it lies beside the record, its name beginning the same.

    records : the folder of all records, None: beside the result.
    """
    return (records or output.parent) / f"{output.stem}.json"


def found_notes(output: Path) -> Path:
    """The record of a result that is there, wherever it lies."""
    beside = notes_of(output)
    apart = notes_of(output, output.parent / RECORDS)
    return beside if beside.is_file() or not apart.is_file() else apart
