"""I am `export`: copies for print, web, in layers, without paper.

In: a page, its lines, its flats. Out: files whose names say what they are.
"""

from __future__ import annotations

from pathlib import Path

import click

from stitchbed.cli.options import Shared, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.export import ExportSettings, export
from stitchbed.pipelines.texts.export import summary

PATH = click.Path(path_type=Path)


@click.command("export", short_help="Copies for print, web, without paper.")
@click.argument("page", type=PATH, required=False)
@click.option("-o", "--output", "folder", required=True, type=PATH, help="An existing folder.")
@settings_options(ExportSettings)
def command(page: Path | None, folder: Path, settings: ExportSettings, shared: Shared) -> None:
    """Make copies of PAGE, or of its lines over its flats, in the folder given. Nothing given is changed."""
    with shown(shared.quiet) as progress:
        record = export(page or (), folder, settings, progress=progress)
    report(record, shared, summary(record, folder))
