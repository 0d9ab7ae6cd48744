"""I am `run`: a whole job from one file, or many works at once.

In: job files and folders. Out: the results of every step, their records, and what was done.
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
from stitchbed.jobs.job_file import job_of
from stitchbed.jobs.run import run
from stitchbed.jobs.steps import STEPS
from stitchbed.jobs.works import BatchSettings

if TYPE_CHECKING:
    from stitchbed.core.progress import Progress as Report

Answer = tuple[dict[str, Any], str]
ANY = click.Path(path_type=Path)


@click.command("run", short_help="A whole job from one TOML file.")
@click.argument("jobs", nargs=-1, required=True, type=ANY, metavar="JOB...")
@click.option("-o", "--output", type=ANY, help="Folder for the results, instead of the one the job file names.")
@click.option("--each", is_flag=True, help="Many jobs, each on its own; one that fails stops no other.")
@settings_options(BatchSettings)
def command(jobs: tuple[Path, ...], output: Path | None, each: bool, settings: BatchSettings, shared: Shared) -> None:
    """Do the steps of a job file, in the order of a job; steps with nothing new are left alone.

    JOB is a TOML file, a folder with a job.toml in it, or a folder of pieces: these are joined into one picture beside
    the folder. demo_tiles/job.toml is an example with every table explained.
    """
    given: dict[str, Any] = {"memory": shared.memory, "workers": shared.workers, "replace": shared.replace}
    settings = replace(settings, out=output, run=replace(settings.run, **given))
    if not each and (len(jobs) > 1 or settings.at_once or settings.cluster):
        raise click.UsageError("several jobs, --at-once and --cluster go with --each")
    with shown(shared.quiet) as progress:
        record, text = run_each(jobs, settings, progress=progress) if each else _one(jobs[0], settings, progress)
    report(record, shared, text)
    if record.get("failed"):
        raise_failed(record)


def _one(path: Path, settings: BatchSettings, progress: Report) -> Answer:
    return run(job_of(path, list(STEPS), out=settings.out), settings.run, progress=progress)
