"""I am `check`: look at captures before joining and say what to redo and why.

In: files or a folder. Out: findings as text or JSON.
"""

from __future__ import annotations

from pathlib import Path

import click

from stitchbed.cli.options import Shared, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.check import CheckSettings, check
from stitchbed.pipelines.texts.check import summary


@click.command("check", short_help="Look at captures before joining.")
@click.argument("pieces", nargs=-1, required=True, type=click.Path(path_type=Path))
@settings_options(CheckSettings)
def command(pieces: tuple[Path, ...], settings: CheckSettings, shared: Shared) -> None:
    """Say of each piece whether it is good, usable (and why), or should be scanned again (and what to change)."""
    with shown(shared.quiet) as progress:
        record = check(pieces, settings=settings, progress=progress)
    report(record, shared, summary(record))
