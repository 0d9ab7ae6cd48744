"""I do a job of single pages, one after the other; one that cannot be done stops no other.

In: a `JobFile`. Out: the results of every page, and one record of all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stitchbed.core.errors import StitchbedError
from stitchbed.core.record import RECORDS, VERSION, recording
from stitchbed.jobs.job_file import JobFile, files_of, page_jobs
from stitchbed.jobs.run import BY_HAND, DONE, RunSettings, run
from stitchbed.jobs.settings import table_of
from stitchbed.jobs.wording import in_job

LEAST_FAR = ("changed", "not begun", BY_HAND, "done")  # states of a step, as `jobs.run.standing` tells them
SHARED = 3  # pages with one and the same note, which is told once then
BEFORE = {"clean": "canvas", "lines": "page", "flats": "lines"}  # what a step takes of a folder of results

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


def run_step(
    step: str, sources: Sequence[Path], out: Path, settings: Any, run_settings: RunSettings, *, progress: Progress
) -> tuple[dict[str, Any], str]:
    """Do one step for each picture named or lying in a folder, as a job of pages with that step alone.

    Raises
    ------
    BadSettings : a path that is not there. StitchbedError : of the only picture.
    """
    pieces = tuple(picture for path in sources for picture in _taken(path, step))
    tables = {step: table_of(settings)}
    return run_whole(JobFile(out, step, out, pieces, out, out / RECORDS, tables, True), run_settings, progress=progress)


def _taken(path: Path, step: str) -> list[Path]:
    """The path itself; of a folder, the results of the step before where there are any, else all its pictures."""
    if not path.is_dir():
        return [path]
    inside = files_of([path])
    before = [one for one in inside if one.stem.endswith(f"_{BEFORE.get(step, '')}")]
    return before or inside


def together(rows: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[dict[str, Any]]:
    """How each step stands for all pages, of `jobs.run.standing` of each: as the page that is least far, with the
    results of all, and each note with its page."""
    found: dict[str, dict[str, Any]] = {}
    for page, steps in rows.items():
        for row in steps:
            one = found.setdefault(row["step"], {"step": row["step"], "state": "done", "outputs": [], "warnings": []})
            one["state"] = min(one["state"], row["state"], key=LEAST_FAR.index)
            one["outputs"] += row["outputs"]
            one["warnings"] += [f"{page}: {words}" for words in row["warnings"]]
    return list(found.values())


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
    """A line for each page with its notes, or why it failed; notes that many pages share, once below them."""
    notes = {work["name"]: _notes_of(work) for work in told["works"] if work["ok"]}
    count = Counter(note for own in notes.values() for note in own)
    shared = {note: number for note, number in count.items() if number >= SHARED}
    lines = []
    for work in told["works"]:
        lines += _lines_of(work, [note for note in notes.get(work["name"], []) if note not in shared])
    lines += [f"Note of {number} pages ({step}): {words}." for (step, words), number in shared.items()]
    good = len(told["works"]) - len(told["failed"])
    return "\n".join([*lines, f"{good} of {len(told['works'])} pages done. Results: {job.out}"])


def _notes_of(work: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Step and words of each note of a page, each once."""
    notes = [(row["step"], in_job(text, row["step"])) for row in work["steps"] for text in row["warnings"]]
    return list(dict.fromkeys(notes))


def _lines_of(work: Mapping[str, Any], notes: Sequence[tuple[str, str]]) -> list[str]:
    if not work["ok"]:
        return [f"{work['name']}: FAILED", f"  Found: {work['found']}.", f"  Try: {work['try']}."]
    counts = Counter(row["state"] for row in work["steps"])
    made = [row["step"] for row in work["steps"] if row["state"] == DONE]
    words = [f"{', '.join(made)} done in {work['seconds']:.1f} s"] if made else []
    words += [f"{number} {_step_word(number)} {state}" for state, number in counts.items() if state != DONE]
    return [f"{work['name']}: {'; '.join(words)}", *(f"  Note ({step}): {text}." for step, text in notes)]


def _step_word(number: int) -> str:
    return "step" if number == 1 else "steps"
