"""I am `flats`: regions under the lines.

In: a line layer. Out: a flat color for each closed region.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from stitchbed.cli.many import are_several, do_each
from stitchbed.cli.options import Shared, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.flats import FlatsSettings, fill_flats
from stitchbed.pipelines.texts.flats import summary

PATH = click.Path(path_type=Path)


@click.command("flats", short_help="Flat regions under the lines.")
@click.argument("sources", nargs=-1, required=True, type=PATH, metavar="SOURCE...")
@click.option("-o", "--output", required=True, type=PATH, help="The flats to write, .tif; a folder for several.")
@settings_options(FlatsSettings)
def command(sources: tuple[Path, ...], output: Path, settings: FlatsSettings, shared: Shared) -> None:
    """Fill each closed region of the line layer SOURCE with flat color that meets its neighbors under the lines.

    SOURCE comes from `lines`; a clean page will do. It is only read.
    """
    wanted = replace(settings, colors="mean") if settings.reference else settings
    if are_several(sources, output):
        if settings.reference:
            raise click.UsageError("--from is for one picture")
        do_each("flats", sources, output, settings, shared)
        return
    source = sources[0]
    with shown(shared.quiet) as progress:
        record = fill_flats(source, output, wanted, progress=progress)
    report(record, shared, summary(record, output))
