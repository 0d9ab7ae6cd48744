"""I am `check`: look at captures before joining and say what to redo and why.

In: files or a folder. Out: findings as text or JSON.
"""

from __future__ import annotations

from pathlib import Path

import click

from stitchbed.cli.options import Shared, report, shared_options
from stitchbed.cli.progress import shown


@click.command("check", short_help="Look at captures before joining.")
@click.argument("pieces", nargs=-1, required=True, type=click.Path(path_type=Path))
@shared_options
def command(pieces: tuple[Path, ...], shared: Shared) -> None:
    """Say of each piece whether it is good, usable (and why), or should be scanned again (and what to change)."""
    from stitchbed.pipelines.check import inspect

    with shown(shared.quiet) as progress:
        record, text = inspect(pieces, workers=shared.workers, progress=progress)
    report(record, shared, text)
