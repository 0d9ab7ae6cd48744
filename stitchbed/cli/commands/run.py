"""I am `run`: a whole job from one file, or many works at once.

In: job files and folders. Out: the results of every step, their records, and what was done.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stitchbed.cli.options import Shared, report, shared_options
from stitchbed.cli.progress import shown
from stitchbed.jobs.batch import raise_failed, run_each
from stitchbed.jobs.job_file import job_of
from stitchbed.jobs.run import RunSettings, run
from stitchbed.jobs.steps import STEPS
from stitchbed.jobs.works import BatchSettings

if TYPE_CHECKING:
    from stitchbed.core.progress import Progress as Report

Answer = tuple[dict[str, Any], str]
ANY = click.Path(path_type=Path)


@click.command("run", short_help="A whole job from one TOML file.")
@click.argument("jobs", nargs=-1, required=True, type=ANY, metavar="JOB...")
@click.option("-o", "--output", type=ANY, help="Folder for the results, instead of the one the job file names.")
@click.option("--upto", metavar="STEP", help="The last step to do.")
@click.option("--again", metavar="STEP", help="Do this step and all after it, also when nothing has changed.")
@click.option("--each", is_flag=True, help="Many jobs, each on its own; one that fails stops no other.")
@click.option("--at-once", type=click.IntRange(1, 64), help="With --each: works at a time, sharing memory and threads.")
@click.option("--cluster", metavar="ADDRESS", help="With --each: the Dask scheduler whose workers do the works.")
@shared_options
def command(jobs: tuple[Path, ...], each: bool, shared: Shared, **words: Any) -> None:
    """Do the steps of a job file, in the order of a job; steps with nothing new are left alone.

    JOB is a TOML file, a folder with a job.toml in it, or a folder of pieces: these are joined into one picture beside
    the folder. demo_tiles/job.toml is an example with every table explained.
    """
    if not each and (len(jobs) > 1 or words["at_once"] or words["cluster"]):
        raise click.UsageError("several jobs, --at-once and --cluster go with --each")
    with shown(shared.quiet) as progress:
        record, text = (_many if each else _one)(jobs, shared, words, progress)
    report(record, shared, text)
    if record.get("failed"):
        raise_failed(record)


def _one(jobs: tuple[Path, ...], shared: Shared, words: Mapping[str, Any], progress: Report) -> Answer:
    job = job_of(jobs[0], list(STEPS), out=words["output"])
    return run(job, _orders(shared, words), progress=progress)


def _many(jobs: tuple[Path, ...], shared: Shared, words: Mapping[str, Any], progress: Report) -> Answer:
    settings = BatchSettings(words["at_once"], words["cluster"], words["output"], _orders(shared, words))
    return run_each(jobs, settings, progress=progress)


def _orders(shared: Shared, words: Mapping[str, Any]) -> RunSettings:
    return RunSettings(words["upto"], words["again"], shared.memory, shared.workers)
