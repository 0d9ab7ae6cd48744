"""I know where each derived file lives and write a record for every step.

In: paths of originals and outputs, numbers to remember. Out: files that appear whole or not at all, and JSON records.
"""

from __future__ import annotations

import hashlib
import json
import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, is_dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

VERSION = "0.1.0"
RECORDS = "records"  # the folder beside a job's results that holds all records


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
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if hasattr(value, "tolist"):  # arrays and numbers of numpy, which is not loaded for this
        return plain(value.tolist())
    if isinstance(value, bytes):
        return f"{len(value)} bytes"
    return str(value) if isinstance(value, Path) else value


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
