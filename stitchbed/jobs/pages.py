"""I do a job of single pages, one after the other; one that cannot be done stops no other.

In: a `JobFile`. Out: the results of every page, and one record of all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from stitchbed.core.errors import StitchbedError
from stitchbed.core.record import VERSION, recording
from stitchbed.jobs.job_file import JobFile, page_jobs
from stitchbed.jobs.run import DONE, RunSettings, run

if TYPE_CHECKING:
    from stitchbed.core.progress import Progress


def run_whole(job: JobFile, settings: RunSettings, *, progress: Progress) -> tuple[dict[str, Any], str]:
    """Do a job of one picture, or of pages; returns the record of the run and a text.

    Raises
    ------
    StitchbedError : from the step that failed, of one picture or page. BadSettings : pages that are not there, or two
    of one name.
    """
    return _run_pages(job, settings, progress) if job.pages else run(job, settings, progress=progress)


def failure_of(error: StitchbedError) -> dict[str, Any]:
    """What a work that failed tells instead of its steps."""
    return {"ok": False, "found": error.found, "expected": error.expected, "try": error.attempt}


def _run_pages(job: JobFile, settings: RunSettings, progress: Progress) -> tuple[dict[str, Any], str]:
    pages = page_jobs(job)
    if len(pages) == 1:
        return run(pages[0], settings, progress=progress)
    works = []
    for done, page in enumerate(pages):
        progress("pages", done, len(pages))
        works.append(_page(page, settings, progress))
        progress("pages", done + 1, len(pages))
    failed = [work["name"] for work in works if not work["ok"]]
    told = {
        "command": "run", "version": VERSION, "job": str(job.path), "name": job.name, "works": works, "failed": failed,
    }  # fmt: skip
    return told, _summary(told, job)


def _page(page: JobFile, settings: RunSettings, progress: Progress) -> dict[str, Any]:
    """The result of one page, as a batch has it of each work."""
    result: dict[str, Any] = {"name": page.name, "path": str(page.pieces[0])}
    with recording("page") as record:
        try:
            result |= {"ok": True, "steps": run(page, settings, progress=progress)[0]["steps"]}
        except StitchbedError as error:
            result |= failure_of(error)
    return result | {"seconds": record.seconds}


def _summary(told: Mapping[str, Any], job: JobFile) -> str:
    """A line for each page with its notes, or why it failed."""
    lines = []
    for work in told["works"]:
        lines += _lines_of(work)
    good = len(told["works"]) - len(told["failed"])
    return "\n".join([*lines, f"{good} of {len(told['works'])} pages done. Results: {job.out}"])


def _lines_of(work: Mapping[str, Any]) -> list[str]:
    if not work["ok"]:
        return [f"{work['name']}: FAILED", f"  Found: {work['found']}.", f"  Try: {work['try']}."]
    counts = Counter(row["state"] for row in work["steps"])
    made = [row["step"] for row in work["steps"] if row["state"] == DONE]
    words = [f"{', '.join(made)} done in {work['seconds']:.1f} s"] if made else []
    words += [f"{number} {_step_word(number)} {state}" for state, number in counts.items() if state != DONE]
    notes = [f"  Note ({row['step']}): {text}." for row in work["steps"] for text in row["warnings"]]
    return [f"{work['name']}: {'; '.join(words)}", *_each_once(notes)]


def _step_word(number: int) -> str:
    return "step" if number == 1 else "steps"


def _each_once(notes: Sequence[str]) -> list[str]:
    return list(dict.fromkeys(notes))
