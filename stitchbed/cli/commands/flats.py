"""I am `flats`: regions under the lines.

In: a line layer. Out: a flat color for each closed region.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from stitchbed.cli.options import Shared, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.flats import FlatsSettings, fill_flats
from stitchbed.pipelines.texts.flats import summary

PATH = click.Path(path_type=Path)


@click.command("flats", short_help="Flat regions under the lines.")
@click.argument("source", type=PATH)
@click.option("-o", "--output", required=True, type=PATH, help="The flats to write, .tif.")
@settings_options(FlatsSettings)
def command(source: Path, output: Path, settings: FlatsSettings, shared: Shared) -> None:
    """Fill each closed region of the line layer SOURCE with flat color that meets its neighbors under the lines.

    SOURCE comes from `lines`; a clean page will do. It is only read.
    """
    wanted = replace(settings, colors="mean") if settings.reference else settings
    with shown(shared.quiet) as progress:
        record = fill_flats(source, output, wanted, progress=progress)
    report(record, shared, summary(record, output))
