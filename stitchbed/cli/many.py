"""I do one step for several pictures or a folder of them: as a job of that step alone.

In: what was named, a folder for the results, the step's settings. Out: NAME_page.tif and so on, records, one answer.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from stitchbed.cli.options import Shared, report
from stitchbed.cli.progress import shown
from stitchbed.core.errors import BadSettings
from stitchbed.jobs.batch import raise_failed
from stitchbed.jobs.pages import run_step
from stitchbed.jobs.run import RunSettings


def are_several(sources: Sequence[Path], output: Path) -> bool:
    """Whether a step is asked of several pictures, or its results are to go into a folder."""
    return len(sources) != 1 or os.path.isdir(sources[0]) or os.path.isdir(output) or not output.suffix


def do_each(step: str, sources: Sequence[Path], output: Path, settings: Any, shared: Shared) -> None:
    """Do a step for each picture; one that cannot be done stops no other.

    Raises
    ------
    BadSettings : the results are to go into a file. WorksFailed : some could not be done; StitchbedError : none.
    """
    if output.suffix and not os.path.isdir(output):
        raise BadSettings(
            f"the file {output} for the results of several pictures",
            expected="a folder, for each picture has results of its own",
            attempt="-o FOLDER",
        )
    run = RunSettings(memory=shared.memory, workers=shared.workers, replace=shared.replace)
    with shown(shared.quiet) as progress:
        record, text = run_step(step, sources, output, settings, run, progress=progress)
    report(record, shared, text)
    if record.get("failed"):
        raise_failed(record)
