"""I am `compare`: scans of one sheet at several dpi, and which of them loses nothing.

In: two or more files. Out: advice as text or JSON, crops side by side.
"""

from __future__ import annotations

from pathlib import Path

import click

from stitchbed.cli.options import Shared, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.compare import CompareSettings, compare
from stitchbed.pipelines.texts.compare import summary


@click.command("compare", short_help="Captures of one sheet at different dpi.")
@click.argument("scans", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--crops", type=click.Path(path_type=Path, dir_okay=False), help="PNG with the same places of all scans.")
@settings_options(CompareSettings)
def command(scans: tuple[Path, ...], crops: Path | None, settings: CompareSettings, shared: Shared) -> None:
    """Find where detail ends and noise begins, and the lowest dpi that loses nothing."""
    with shown(shared.quiet) as progress:
        record = compare(scans, crops, settings, progress=progress)
    report(record, shared, summary(record))
