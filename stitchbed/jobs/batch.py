"""I do many independent works at once, in processes of this machine or on a cluster; one that fails stops no other.

In: job files, folders and single pages. Out: each work's results, and one record of the batch.

Both ways go through `concurrent.futures`: `do_work` is sent to an executor, and `executor_of` is the only place that
knows which kind it is.
"""

from __future__ import annotations

import platform
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stitchbed.core.addresses import file_of
from stitchbed.core.errors import BadSettings, StitchbedError, WorksFailed
from stitchbed.core.files import claim, write_json
from stitchbed.core.record import VERSION, beside, recording
from stitchbed.jobs.folder import prepared, text_of
from stitchbed.jobs.job_file import JOB, JobFile, job_of, job_of_text, page_jobs
from stitchbed.jobs.pages import failure_of, run_whole
from stitchbed.jobs.steps import STEPS
from stitchbed.jobs.works import BatchSettings, Work, at_once, is_picture, record_path, works_of

if TYPE_CHECKING:
    from stitchbed.core.progress import Progress

CONNECT_SECONDS = 15


Task = Callable[[Work], dict[str, Any]]


def do_work(work: Work) -> dict[str, Any]:
    """Do one work; whatever goes wrong becomes part of the result, which says `ok` or what failed."""
    result: dict[str, Any] = {
        "name": work.name,
        "path": work.path,
        "version": VERSION,
    }
    with recording("work") as record:
        try:
            _see(work)
            job = job_of_work(work)
            told, text = run_whole(job, work.run, progress=_unseen)
            result |= {"ok": True, "steps": told.get("steps", []), "text": text}
            result |= _of_pages(told) if job.pages else {}
        except StitchbedError as error:
            result |= failure_of(error)
        except Exception as error:
            result |= _failed(error, "".join(traceback.format_exception(error)))
    return result | {"seconds": record.seconds}


def _see(work: Work) -> None:
    """What was there for who listed the works, and is not for who does them, is not shared between the two.

    Raises
    ------
    BadSettings : it cannot be seen from here.
    """
    if not work.seen or file_of(work.path).exists():
        return
    host = platform.node().split(".")[0] or "this machine"
    raise BadSettings(
        f"{work.path}, which the worker on {host} cannot see",
        expected="the works under the same path on every machine that does them",
        attempt=f"share their folder with {host} under this path, and the folder of --out; or leave --cluster out",
    )


def job_of_work(work: Work) -> JobFile:
    """The job of a job file, of a folder (written now where it has none), or of one picture that is a page.

    Raises
    ------
    BadSettings, UnreadableTile, CannotWrite : see `jobs.folder.prepared`.
    """
    if is_picture(work.path):
        home = work.path.parent / JOB  # where its job file would lie
        job = job_of_text(text_of("pages", work.path.parent, home.parent), home, list(STEPS), out=work.out)
        whole = replace(job, name=work.name, pieces=(work.path,))
        pages = page_jobs(whole)  # a file may hold several
        return pages[0] if len(pages) == 1 else whole
    made = prepared(work.path, out=work.out, kind=None, workers=work.run.workers, progress=_unseen)
    return job_of(made.path, list(STEPS), out=work.out)


def run_each(
    paths: Sequence[Path], settings: BatchSettings, *, progress: Progress, task: Task = do_work
) -> tuple[dict[str, Any], str]:
    """Do all works; returns the record, also written as `batch.json` into the common folder, and a text.

    paths : job files, folders and pictures; other files among them are passed over. task : does one work.

    Raises
    ------
    BadSettings : no works, two that would write the same files, no way to the cluster.
    WouldTouchOriginal : a file of the record's name that was not made here.
    """
    works, passed = works_of(paths, settings)
    path = record_path(works, settings)
    claim([path], [work.path for work in works], replace=settings.run.replace)
    with recording("batch", settings) as record:
        results = _done(works, settings, task, progress)
    failed = [result["name"] for result in results if not result["ok"]]
    told = {
        "command": "run --each",
        "version": VERSION,
        "started": record.started,
        "seconds": record.seconds,
        "settings": record.settings,
        "works": results,
        "failed": failed,
        "passed_over": passed,
        "warnings": _doubts(results),
    }
    kept: dict[str, Any] = beside(told, path.parent, full=settings.run.full_paths)
    write_json(path, kept)
    return kept, summary(told, path)


def raise_failed(told: Mapping[str, Any]) -> None:
    """After the record was shown: fail if a work failed.

    Raises
    ------
    WorksFailed : some did.
    """
    if told["failed"]:
        raise WorksFailed(
            f"{len(told['failed'])} of {len(told['works'])} works failed: {', '.join(told['failed'])}",
            expected="every work to be done; the others are",
            attempt="what is said at each of them, then the same command again: what is done is not done twice",
        )


def summary(told: Mapping[str, Any], path: Path) -> str:
    """Each work with its steps, or why it failed."""
    lines = []
    for result in told["works"]:
        head = "done" if result["ok"] else "FAILED"
        lines.append(f"{result['name']}: {head} in {result['seconds']:.1f} s")
        body = result["text"] if result["ok"] else f"Found: {result['found']}.\nTry: {result['try']}."
        lines += [f"  {line}" for line in body.splitlines()]
    lines += [f"Note: {warning}." for warning in told["warnings"]]
    good = len(told["works"]) - len(told["failed"])
    return "\n".join([*lines, f"{good} of {len(told['works'])} works done. Record: {path}"])


@contextmanager
def executor_of(settings: BatchSettings, processes: int) -> Iterator[Executor]:
    """Who does the works: processes of this machine, or the workers of a cluster.

    Raises
    ------
    BadSettings : a cluster is wanted, and its package or its scheduler is missing.
    """
    if settings.cluster is not None:
        with _client(settings.cluster) as client:
            yield client.get_executor(pure=False)
        return
    pool = ProcessPoolExecutor(processes, mp_context=get_context("spawn"))
    try:
        yield pool
    finally:  # when stopped by the user, works not begun yet are not begun
        pool.shutdown(cancel_futures=True)


def _done(works: Sequence[Work], settings: BatchSettings, task: Task, progress: Progress) -> list[dict[str, Any]]:
    """A result for each work, in order.

    A process that dies (killed for want of memory, say) takes the whole pool with it, and nothing tells which work it
    was on. So the works left without result are tried once more, each in a pool of its own.
    """
    results: dict[str, dict[str, Any]] = {}

    def keep(work: Work, result: dict[str, Any]) -> None:
        results[work.name] = result
        progress("works", len(results), len(works))

    for work, outcome in _outcomes(works, settings, task, at_once(works, settings)):
        if not isinstance(outcome, BrokenExecutor):
            keep(work, outcome if isinstance(outcome, dict) else _lost(work, outcome))
    for left in [work for work in works if work.name not in results]:
        for work, outcome in _outcomes([left], settings, task, 1):
            keep(work, outcome if isinstance(outcome, dict) else _lost(work, outcome))
    return [results[work.name] for work in works]


def _outcomes(
    works: Sequence[Work], settings: BatchSettings, task: Task, processes: int
) -> Iterator[tuple[Work, dict[str, Any] | BaseException]]:
    """Each work with its result, or with what came instead, as they end."""
    with executor_of(settings, processes) as executor:
        asked: dict[Future[dict[str, Any]], Work] = {}
        for work in works:
            with _as_outcome() as broken:
                asked[executor.submit(task, work)] = work
            if broken:
                yield work, broken[0]
        for future in as_completed(asked):
            error = future.exception()
            yield asked[future], error if error is not None else future.result()


@contextmanager
def _as_outcome() -> Iterator[list[BaseException]]:
    """A pool that broke while works were handed to it refuses the rest."""
    caught: list[BaseException] = []
    try:
        yield caught
    except BrokenExecutor as error:
        caught.append(error)


@contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        from distributed import Client
    except ImportError as error:
        raise BadSettings(
            "--cluster, but the package distributed is not installed here",
            expected="the extra for clusters",
            attempt="pip install 'stitchbed[cluster]', or leave --cluster out",
        ) from error
    try:
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:  # TimeoutError is an OSError
        raise BadSettings(
            f"no scheduler at {address} ({error})",
            expected="the address of a running scheduler",
            attempt="an address such as tcp://192.0.2.7:8786; is the scheduler running, with the same packages?",
        ) from error
    with client:
        yield client


def _of_pages(told: Mapping[str, Any]) -> dict[str, Any]:
    """What a work of pages adds: each page, and that the work failed where one did."""
    added: dict[str, Any] = {"works": told["works"]}
    if not told["failed"]:
        return added
    return added | {
        "ok": False,
        "found": f"{len(told['failed'])} of {len(told['works'])} pages that failed: {', '.join(told['failed'])}",
        "expected": "every page to be done; the others are",
        "try": "this work alone, which says of each page why",
    }


def _failed(error: BaseException, details: str) -> dict[str, Any]:
    return {
        "ok": False,
        "found": f"an error nobody foresaw ({type(error).__name__}: {error})",
        "expected": "a work that can be done, or a reason why not",
        "try": "this work alone; if it fails again, report it together with the record of the batch",
        "details": details,
    }


def _lost(work: Work, error: BaseException) -> dict[str, Any]:
    """The result of a work whose process gave none."""
    lost = {"name": work.name, "path": work.path, "seconds": 0.0, **_failed(error, "")}
    if isinstance(error, BrokenExecutor) or type(error).__name__ == "KilledWorker":
        lost["found"] = f"the process doing it died without a word, on each try ({type(error).__name__})"
        lost["try"] = "fewer works at once (--at-once 1) or less --memory: systems kill what takes too much"
    return lost


def _doubts(results: Sequence[Mapping[str, Any]]) -> list[str]:
    others = sorted(
        {f"{r['name']} was done by {r['version']}" for r in results if r.get("version", VERSION) != VERSION}
    )
    return [f"version {VERSION} is here, but {', '.join(others)}"] if others else []


def _unseen(step: str, done: int, total: int) -> None:
    """Progress of a work in another process is not shown."""
