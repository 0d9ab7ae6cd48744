"""I am `lines`: ink off the paper.

In: a clean master. Out: a layer of ink color and alpha.
"""

from __future__ import annotations

from pathlib import Path

import click

from stitchbed.cli.many import are_several, do_each
from stitchbed.cli.options import Shared, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.lines import LinesSettings, lift_lines
from stitchbed.pipelines.texts.lines import summary

PATH = click.Path(path_type=Path)


@click.command("lines", short_help="Ink off the paper.")
@click.argument("sources", nargs=-1, required=True, type=PATH, metavar="SOURCE...")
@click.option("-o", "--output", required=True, type=PATH, help="The layer to write, .tif; a folder for several.")
@settings_options(LinesSettings)
def command(sources: tuple[Path, ...], output: Path, settings: LinesSettings, shared: Shared) -> None:
    """Lift the lines of SOURCE off their paper: over white they look as before, over color no paper shows.

    SOURCE is only read; it should come from `clean`, so that its paper is white.
    """
    if are_several(sources, output):
        do_each("lines", sources, output, settings, shared)
        return
    source = sources[0]
    with shown(shared.quiet) as progress:
        record = lift_lines(source, output, settings, progress=progress)
    report(record, shared, summary(record, output))
