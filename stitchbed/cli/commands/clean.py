"""I am `clean`: border, repairs, paper, dust, tone.

In: a master. Out: a clean master, the mask of its dust, pictures and numbers of each step.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from stitchbed.cli.many import are_several, do_each
from stitchbed.cli.options import Shared, prove, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.clean import ASKED, CleanSettings, clean
from stitchbed.pipelines.contract.claims import claim_page
from stitchbed.pipelines.texts.clean import summary

PATH = click.Path(path_type=Path)


@click.command("clean", short_help="Border, dust, paper, tone.")
@click.argument("sources", nargs=-1, required=True, type=PATH, metavar="SOURCE...")
@click.option("-o", "--output", required=True, type=PATH, help="The clean master to write, .tif; a folder for several.")
@click.option("--proof", type=PATH, help="Also write a proof page (HTML): before and after, numbers, settings.")
@settings_options(CleanSettings)
def command(
    sources: tuple[Path, ...], output: Path, proof: Path | None, settings: CleanSettings, shared: Shared
) -> None:
    """Make SOURCE clean: crop and straighten the sheet, even out its paper, take off dust, set white and black.

    SOURCE is only read. What each step did is shown in a folder beside the output and told in its record.
    """
    for name in ASKED:
        if getattr(settings, name).any and name not in settings.steps:
            settings = replace(settings, steps=(*settings.steps, name))
    if are_several(sources, output):
        if proof:
            raise click.UsageError("--proof is for one picture")
        do_each("clean", sources, output, settings, shared)
        return
    source = sources[0]
    claim_page(proof, output, [source], settings)
    with shown(shared.quiet) as progress:
        record = clean(source, output, settings, progress=progress)
    prove(proof, record, [source], output)
    report(record, shared, summary(record, output))
