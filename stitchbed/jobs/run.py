"""I do a whole job: each step of its file in turn, save those whose inputs and settings are as they were.

In: a `JobFile`. Out: the outputs, one record of each step (what the step itself tells, and under `job` what it was
made from and of), and a record of the run.

A step is left alone when its record says that the same inputs, settings and version made what lies there. A result that
was changed by hand since is left alone too, and the steps after it work on it as it is; it is never written over unless
`--again` says so.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from stitchbed.core.addresses import file_of
from stitchbed.core.errors import StitchbedError, WouldTouchOriginal
from stitchbed.core.files import cannot_write, claim, claimed, is_ours, read_file, sha256_of, write_json
from stitchbed.core.progress import Progress, counted
from stitchbed.core.record import VERSION, Record, beside, fingerprint, name_beside, plain, recording, without_folders
from stitchbed.core.settings import Setting
from stitchbed.jobs.call import PAGE, PIECES, Call
from stitchbed.jobs.job_file import JobFile, Table, files_in, files_of, unknown_key
from stitchbed.jobs.settings import Place, settings_of
from stitchbed.jobs.steps import STEPS, Step, do, settings_class
from stitchbed.jobs.wording import in_job

DONE, UNCHANGED, BY_HAND = "done", "unchanged", "changed by hand since, kept"
LEFT_OUT = "left out"


@dataclass(frozen=True)
class RunSettings:
    """upto : last step to do. again : first step to redo, with all after it. memory : bytes. workers : threads.

    replace : what lies there and was not made here, or was changed since, is kept aside instead of being refused.
    full_paths : in records.
    """

    upto: Annotated[str | None, Setting("The last step to do.", unit="STEP")] = None
    again: Annotated[
        str | None, Setting("Do this step and all after it, also when nothing has changed.", unit="STEP")
    ] = None
    memory: int = 2**30
    workers: int = 2
    replace: bool = False
    full_paths: bool = False


@dataclass(frozen=True)
class _Task:
    """One step of this job: its table, where its output and record go, and whether it is redone in any case.

    output : without ending when the step names its files itself, beginning with that name. replace : see `RunSettings`.
    """

    name: str
    step: Step
    table: Table
    output: Path
    record: Path
    forced: bool
    replace: bool


@dataclass
class _Hashes:
    """sha256 of files, each read once in a run."""

    known: dict[Path, str] = field(default_factory=dict)
    digest: Callable[[Path], str] = sha256_of

    def of(self, path: Path) -> str:
        """Of the file as it was when first asked for; "" when there is none."""
        if path not in self.known:
            self.known[path] = self.digest(path) if file_of(path).is_file() else ""
        return self.known[path]


def run(job: JobFile, settings: RunSettings, *, progress: Progress) -> tuple[dict[str, Any], str]:
    """Do the job; returns the record of the run and a text.

    Raises
    ------
    StitchbedError : any of its children, from the step that failed; the steps before it are done and stay so.
    """
    tasks = _tasks(job, settings)
    sources = {PIECES: job.pieces, PAGE: job.pieces}
    hashes = _Hashes()
    prepared: dict[str, Any] = {}
    rows = []
    for task in tasks:
        if words := _why_not(task, tasks):
            rows.append(_left_out(task, words))
            continue
        inputs = _inputs(job, task, sources, hashes)
        state = None if task.forced else _state(job, task, inputs, hashes)
        done: Record | None = None
        if state is None:
            prepared = prepared or _prepared(job, tasks, settings, progress)
            call = Call(sources, task.output, prepared[task.name], progress, task.replace, task.record)
            done = _do(job, task, inputs, call, full_paths=settings.full_paths)
            hashes.known |= {job.out / name: digest for name, digest in done.outputs.items()}
        if task.step.gives:
            sources = {**sources, task.step.gives: (task.output,)}
        rows.append(_row(job, task, state or DONE, done))
    record = {"command": "run", "version": VERSION, "job": str(job.path), "name": job.name, "steps": rows}
    return record, summary(record)


def summary(record: Mapping[str, Any]) -> str:
    """One line for each step, and its warnings when it was done now."""
    lines = []
    for row in record["steps"]:
        took = f"{row['state']} in {row['seconds']:.1f} s" if row["state"] == DONE else row["state"]
        lines.append(": ".join([row["step"], took, *([", ".join(row["outputs"])] if row["outputs"] else [])]))
        lines += [f"  Note: {in_job(warning, row['step'])}." for warning in row["warnings"]]
    return "\n".join(lines)


def _tasks(job: JobFile, settings: RunSettings) -> list[_Task]:
    """The steps of the job up to the last one wanted.

    Raises
    ------
    BadSettings : `upto` or `again` names no step of the job.
    """
    names = list(job.tables)
    if settings.upto is not None:
        names = names[: _places(settings.upto, names, "--upto")[-1] + 1]
    first = _places(settings.again, names, "--again")[0] if settings.again is not None else len(names)
    tasks = []
    for place, name in enumerate(names):
        step = STEPS[name]
        stem = f"{job.name}_{step.word}" if step.ending else job.name
        record = job.records / f"{job.name}_{step.word}.json"
        forced, output = place >= first, job.out / (stem + step.ending)
        tasks.append(_Task(name, step, job.tables[name], output, record, forced, forced or settings.replace))
    return tasks


def _places(word: str, names: Sequence[str], option: str) -> list[int]:
    """Where the step of that name is, or all steps of that group."""
    found = [place for place, name in enumerate(names) if name == word or name.startswith(f"{word}.")]
    if not found:
        raise unknown_key(word, names, f"at {option}")
    return found


def _inputs(job: JobFile, task: _Task, sources: Mapping[str, tuple[Path, ...]], hashes: _Hashes) -> dict[str, str]:
    """Name -> sha256 of all files the step depends on; names are relative, so that the whole folder may move."""
    works = [path for source in task.step.takes for path in sources.get(source, ())]
    files = [*files_of(works), *files_in(task.table, job.folder)]
    named: dict[str, str] = {}
    for path in files:
        name = name_beside(path, job.folder)
        named[f"{name}#{len(named)}" if name in named else name] = hashes.of(path)
    return named


def _state(job: JobFile, task: _Task, inputs: Mapping[str, str], hashes: _Hashes) -> str | None:
    """UNCHANGED or BY_HAND when the step need not be done, else None.

    Raises
    ------
    WouldTouchOriginal : doing it would write over what it did not make.
    """
    old = _old_record(task.record)
    names = [task.output.name] if task.step.ending else list(old["outputs"]) if old is not None else []
    now = {name: hashes.of(job.out / name) for name in names}
    if old is None:
        if any(now[name] and not is_ours(job.out / name) for name in names) and not task.replace:
            raise _not_ours(task, task.output, "was not made by this job")
        return None
    made = old["outputs"]
    edited = [name for name in names if now[name] and made.get(name) and made[name] != now[name]]
    whole = bool(names) and all(now.values()) and all(made.get(name) for name in names)
    if whole and _mark(old["inputs"], old["settings"], old["version"]) == _mark(inputs, task.table, VERSION):
        return BY_HAND if edited else UNCHANGED
    if edited and not task.replace:
        raise _not_ours(task, job.out / edited[0], "was changed by hand, and its step is to be done anew")
    return None


def _medium(tasks: Sequence[_Task]) -> str:
    """What the page is drawn with, as the record of a step tells that found it; "" where none does."""
    for task in tasks:
        with suppress(OSError, ValueError, KeyError, TypeError):
            return str(json.loads(read_file(task.record))["numbers"]["medium"]["name"])
    return ""


def _why_not(task: _Task, tasks: Sequence[_Task]) -> str:
    """Why a step is left out, "" where it is not."""
    return task.step.unless(task.table, _medium(tasks)) if task.step.unless else ""


def _left_out(task: _Task, words: str) -> dict[str, Any]:
    """The row of a step that is not done."""
    return {
        "step": task.name, "state": LEFT_OUT, "seconds": 0.0, "outputs": [], "record": str(task.record),
        "warnings": [words],
    }  # fmt: skip


def _mark(inputs: object, settings: object, version: object) -> str:
    return fingerprint(inputs, plain(settings, told=_without_folders), version)


def _without_folders(value: Path | str) -> str:
    """As records have it unless whole paths were asked for; what lies at the end of a path is told by its hash."""
    return without_folders(str(value))


def _not_ours(task: _Task, path: Path, found: str) -> WouldTouchOriginal:
    return WouldTouchOriginal(
        f"{path} {found}",
        expected="to write over own results only",
        attempt=f"moving it away, or --replace (or --again {task.name}) to keep it under a name with a number",
    )


def _old_record(path: Path) -> dict[str, Any] | None:
    """What the record of an earlier run says of the job, or None when there is none that can be read."""
    with suppress(OSError, ValueError):
        content = json.loads(read_file(path))
        said = content.get("job") if isinstance(content, dict) else None
        if isinstance(said, dict) and said.keys() >= {"inputs", "outputs", "settings", "version"}:
            return said
    return None


def _prepared(job: JobFile, tasks: Sequence[_Task], settings: RunSettings, progress: Progress) -> dict[str, Any]:
    """Settings of all steps, so that a mistake in a late table is told before the first step is done."""
    given = {"memory": settings.memory, "workers": settings.workers, "full_paths": settings.full_paths}
    return {
        task.name: settings_of(
            settings_class(task.step),
            task.table,
            Place(task.name, job.folder),
            given={**given, "replace": task.replace, "records": job.records},
        )
        for task in counted(tasks, "getting ready", len(tasks), progress)  # their libraries take a second to load
    }


def _do(job: JobFile, task: _Task, inputs: dict[str, str], call: Call, *, full_paths: bool) -> Record:
    """Do one step and write its record; until it is done, its record holds no hashes and so vouches for nothing."""
    claim([task.record], [job.path, *(job.folder / name for name in inputs)], replace=task.replace)
    for folder in (job.out, job.records):
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise cannot_write(folder, error) from error
    with _begun(job, task), recording(task.name, dict(task.table)) as record:
        try:
            told = do(task.name, task.step, call)
        except StitchbedError as error:
            error.advise(in_job(error.attempt, task.name))
            raise
    record.inputs = inputs
    made = [task.output.name] if task.step.ending else list(told["outputs"])
    record.outputs = {name: sha256_of(job.out / name) for name in made}
    record.warnings = list(told.get("warnings", []))
    write_json(task.record, {**plain(told), **_job_part(job, record, task, full_paths=full_paths)})
    return record


def _job_part(job: JobFile, record: Record, task: _Task, *, full_paths: bool = False) -> dict[str, Any]:
    """What a job adds to the record of a step: what it was made of, by which table, the hashes of the results."""
    said = {
        key: value for key, value in beside(record, task.record.parent, full=full_paths).items() if key != "numbers"
    }
    return {"job": {"name": job.name, **said}}


@contextmanager
def _begun(job: JobFile, task: _Task) -> Iterator[None]:
    """A record that vouches for nothing; the one before comes back when the step refused to write at all.

    What it told of the result stays readable: a step may go by it, as flats do by their regions.
    """
    before = read_file(task.record) if task.record.exists() else None
    write_json(task.record, {**_told_before(before), **_job_part(job, Record(task.name), task)})
    try:
        yield
    except WouldTouchOriginal:
        if before is None:
            task.record.unlink()
        else:
            with claimed(task.record) as partial:
                partial.write_bytes(before)
        raise


def _told_before(content: bytes | None) -> dict[str, Any]:
    with suppress(ValueError):
        told = json.loads(content or b"{}")
        return told if isinstance(told, dict) else {}
    return {}


def _row(job: JobFile, task: _Task, state: str, done: Record | None) -> dict[str, Any]:
    told = _old_record(task.record)
    return {
        "step": task.name,
        "state": state,
        "seconds": done.seconds if done is not None else 0.0,
        "outputs": [str(job.out / name) for name in told["outputs"]] if told is not None else [],
        "record": str(task.record),
        "warnings": done.warnings if done is not None else [],
    }


def standing(job: JobFile, digest: Callable[[Path], str]) -> list[dict[str, Any]]:
    """How each step of the job stands, with nothing done: "done", BY_HAND, "changed" (there is a result, of other
    inputs or settings), or "not begun"; with its outputs that are there and what was noted of it.

    digest : sha256 of a file that is there, so that a caller who asks often need not read it each time.
    """
    sources = {PIECES: job.pieces, PAGE: job.pieces}
    hashes = _Hashes(digest=digest)
    rows: list[dict[str, Any]] = []
    tasks = _tasks(job, RunSettings())
    for task in tasks:
        if reason := _why_not(task, tasks):
            rows.append({"step": task.name, "state": "done", "outputs": [], "warnings": [reason]})
            continue
        old = _old_record(task.record)
        try:
            state = _state(job, task, _inputs(job, task, sources, hashes), hashes)
        except StitchbedError:  # what doing it would be refused for is told when it is to be done
            state = None
        made = [str(job.out / name) for name in (old or {"outputs": {}})["outputs"] if (job.out / name).exists()]
        words = {None: "changed" if made else "not begun", UNCHANGED: "done"}.get(state, state)
        if task.step.gives:
            sources = {**sources, task.step.gives: (task.output,)}
        rows.append({"step": task.name, "state": words, "outputs": made, "warnings": (old or {}).get("warnings", [])})
    return rows
