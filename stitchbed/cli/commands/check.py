"""I am `check`: look at captures before joining and say what to redo and why.

In: files or a folder. Out: findings as text or JSON.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

import click

from stitchbed.cli.options import Shared, report
from stitchbed.cli.progress import shown
from stitchbed.cli.screen import say
from stitchbed.cli.settings import settings_options
from stitchbed.core.errors import printable
from stitchbed.pipelines.check import CheckSettings, check
from stitchbed.pipelines.scanning.watch import WatchSettings, watch
from stitchbed.pipelines.texts.check import summary
from stitchbed.pipelines.texts.watch import arrival


@click.command("check", short_help="Look at captures before joining.")
@click.argument("pieces", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--watch", "watching", is_flag=True, help="Wait for files in a folder and tell of each; Ctrl-C ends it.")
@click.option("--art", metavar="SIZE", help="With --watch: the sheet, such as 420x594mm, to be told what comes next.")
@click.option("--bed", metavar="SIZE", help="With --watch: what the scanner sees, such as 216x297mm.")
@settings_options(CheckSettings)
def command(
    pieces: tuple[Path, ...], watching: bool, art: str | None, bed: str | None, settings: CheckSettings, shared: Shared
) -> None:
    """Say of each piece whether it is good, usable (and why), or should be scanned again (and what to change).

    With --watch, while scanning: of each file that comes into the folder, whether it fits, and what to scan next.
    """
    if watching:
        if len(pieces) != 1:
            raise click.UsageError("--watch takes one folder")
        watch(
            pieces[0], partial(_arrived, shared), WatchSettings(art, bed, workers=shared.workers, memory=shared.memory)
        )
        return
    if art or bed:
        raise click.UsageError("--art and --bed go with --watch")
    with shown(shared.quiet) as progress:
        record = check(pieces, settings=settings, progress=progress)
    report(record, shared, summary(record))


def _arrived(shared: Shared, told: Mapping[str, Any]) -> None:
    """One line of JSON, or some of words, for what came."""
    if shared.json:
        click.echo(json.dumps(told, allow_nan=False))
    else:
        say(printable(arrival(told)))
