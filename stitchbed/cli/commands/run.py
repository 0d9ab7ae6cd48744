"""I am `run`: a whole job from one file or folder, or many works at once.

In: job files, folders, pages. Out: the results of every step, their records, and what was done.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stitchbed.cli.options import Shared, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.jobs.batch import raise_failed, run_each
from stitchbed.jobs.folder import KINDS, NewJob, prepared
from stitchbed.jobs.job_file import job_of
from stitchbed.jobs.pages import run_whole
from stitchbed.jobs.steps import STEPS
from stitchbed.jobs.works import BatchSettings

if TYPE_CHECKING:
    from stitchbed.core.progress import Progress as Report

Answer = tuple[dict[str, Any], str]
ANY = click.Path(path_type=Path)


@click.command("run", short_help="A whole job, from a folder or its job file.")
@click.argument("jobs", nargs=-1, required=True, type=ANY, metavar="JOB...")
@click.option("-o", "--output", type=ANY, help="Folder for the results, instead of the one the job file names.")
@click.option("--each", is_flag=True, help="Many jobs or pages, each on its own; one that fails stops no other.")
@click.option("--new", is_flag=True, help="Only write the job file of a folder, to be looked at and changed.")
@click.option("--as", "kind", type=click.Choice(KINDS), help="What the folder holds.  [default: found]")
@settings_options(BatchSettings)
def command(
    jobs: tuple[Path, ...],
    output: Path | None,
    each: bool,
    new: bool,
    kind: str | None,
    settings: BatchSettings,
    shared: Shared,
) -> None:
    """Do the steps of a job file, in the order of a job; steps with nothing new are left alone.

    JOB is a TOML file or a folder. A folder without a job.toml gets one first: run says whether it takes its pictures
    for pieces of one sheet or for single pages, and goes on to copies (--upto ends earlier). Results lie in its folder
    `out`, or in that of -o, which then holds the job.toml too. With --each, JOB may also be a picture: a single page.
    """
    given: dict[str, Any] = {"memory": shared.memory, "workers": shared.workers, "replace": shared.replace}
    given["full_paths"] = shared.full_paths
    settings = replace(settings, out=output, run=replace(settings.run, **given))
    if not each and (len(jobs) > 1 or settings.at_once or settings.cluster):
        raise click.UsageError("several jobs, --at-once and --cluster go with --each")
    if each and (new or kind):
        raise click.UsageError("--new and --as are for one folder, without --each")
    with shown(shared.quiet) as progress:
        if each:
            record, text = run_each(jobs, settings, progress=progress)
        else:
            record, text = _one(jobs[0], kind, new, settings, progress)
    report(record, shared, text)
    if record.get("failed"):
        raise_failed(record)


def _one(path: Path, kind: str | None, new: bool, settings: BatchSettings, progress: Report) -> Answer:
    workers = settings.run.workers
    made = prepared(path, out=settings.out, kind=kind, workers=workers, progress=progress, anew=new)
    if new:
        return {"command": "run", "job": str(made.path), "taken_for": made.words, "steps": []}, made.words
    record, text = run_whole(job_of(made.path, list(STEPS), out=settings.out), settings.run, progress=progress)
    return record | _said(made), f"{made.words}\n{text}" if made.words else text


def _said(made: NewJob) -> dict[str, Any]:
    return {"taken_for": made.words} if made.words else {}
