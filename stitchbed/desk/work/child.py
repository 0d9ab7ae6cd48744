"""I am the process that does the work: one request at a time, told how far it is, ended by whoever started me.

In: requests as lines of JSON on standard input. Out: lines of JSON: progress, then the result or what went wrong.

What was seen of a piece is kept for as long as I live, so that a piece that comes later is the only one looked at.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import FrameType
from typing import IO, Any

from stitchbed.core.errors import StitchbedError, in_words
from stitchbed.core.memory import one_heap
from stitchbed.core.record import plain
from stitchbed.jobs.job_file import RESULTS, JobFile, job_of
from stitchbed.jobs.pages import run_whole
from stitchbed.jobs.run import RunSettings
from stitchbed.jobs.settings import Place, settings_of
from stitchbed.jobs.steps import STEPS
from stitchbed.pipelines.check import CheckSettings, Kept, check_again
from stitchbed.pipelines.join import JoinSettings, join

BETWEEN = 0.1  # seconds between two reports of progress; eyes follow no more


class Told:
    """Standard output, kept for answers alone; close it."""

    def __init__(self) -> None:
        self._out: IO[str] = os.fdopen(os.dup(1), "w", encoding="utf-8")
        os.dup2(2, 1)  # whatever a library prints goes to the errors
        self._lock = threading.Lock()
        self._last = 0.0

    def say(self, **words: Any) -> None:
        """One line."""
        with self._lock:
            self._out.write(json.dumps(plain(words), allow_nan=False) + "\n")
            self._out.flush()

    def progress(self, step: str, done: int, total: int) -> None:
        """How far it is, not more often than eyes follow."""
        now = time.monotonic()
        if done >= total or now - self._last > BETWEEN:
            self._last = now
            self.say(progress=[step, done, total])

    def close(self) -> None:
        """No more is said."""
        self._out.close()


def main() -> None:
    """Do requests until there are no more, or until asked to end."""
    one_heap()
    signal.signal(signal.SIGTERM, _ended)
    told, kept = Told(), Kept()
    asked: queue.Queue[dict[str, Any]] = queue.Queue()
    threading.Thread(target=_listen, args=(asked,), daemon=True).start()
    told.say(ready=True)
    while True:
        request = asked.get()
        try:
            told.say(done=_do(request, kept, told))
        except Exception as error:
            wrong = in_words(error)
            words = {"found": wrong.found, "expected": wrong.expected, "try": wrong.attempt}
            told.say(error={**words, "kind": type(error).__name__})


def _do(request: dict[str, Any], kept: Kept, told: Told) -> Any:
    progress = told.progress
    if request["task"] == "check":
        paths = [Path(one) for one in request["paths"]]
        looks = CheckSettings(workers=request["workers"], memory=request["memory"])
        if request.get("pages"):
            return _each_alone(paths, kept, looks, progress)
        return check_again(paths, kept, looks, progress=progress, laid=lambda places: told.say(part=places))
    job = job_of(Path(request["job"]), list(STEPS))
    if request["task"] == "place":
        return _placed(job, request, progress)
    settings = RunSettings(
        request["upto"], memory=request["memory"], workers=request["workers"], replace=request.get("replace", False)
    )
    record, text = run_whole(job, settings, progress=progress)
    return {"text": text, **record}


def _each_alone(
    paths: Sequence[Path], kept: Kept, settings: CheckSettings, progress: Callable[[str, int, int], None]
) -> Any:
    """A check of pages that have nothing to do with each other: what is wrong with each, nothing of the set."""
    rows: list[Any] = []
    warnings: list[str] = []
    for index, path in enumerate(paths):
        progress("look", index, len(paths))
        try:
            told = check_again([path], kept, settings)
        except StitchbedError as error:
            warnings.append(f"{path.name}: {error.found}")
            continue
        rows += told["pieces"]
        warnings += told["warnings"]
    return {"pieces": rows, "set": {"verdict": "good", "findings": []}, "placements": [], "warnings": warnings}


def _placed(job: JobFile, request: dict[str, Any], progress: Callable[[str, int, int], None]) -> Any:
    """Where a join would lay the pieces; its looks at them stay for the join to come."""
    given = {"memory": request["memory"], "workers": request["workers"], "replace": True}
    settings = settings_of(JoinSettings, job.tables.get("join", {}), Place("join", job.folder), given)
    job.out.mkdir(parents=True, exist_ok=True)
    output = job.out / f"{job.name}_{RESULTS[0]}.tif"
    record = join(job.pieces, output, replace(settings, layout_only=True), progress=progress)
    return {key: record.get(key) for key in ("placements", "islands", "links", "hints", "canvas", "warnings")}


def _listen(asked: queue.Queue[dict[str, Any]]) -> None:
    """Requests as they come; when whoever asks has gone, so do I."""
    for line in sys.stdin:
        asked.put(json.loads(line))
    os.kill(os.getpid(), signal.SIGTERM)


def _ended(number: int, frame: FrameType | None) -> None:
    raise SystemExit(128 + number)


if __name__ == "__main__":
    main()
