"""I am `color`: true color from a card or chart.

In: a picture with the card in it, its measured colors. Out: the picture corrected, with a profile.
"""

from __future__ import annotations

from pathlib import Path

import click

from stitchbed.cli.options import Shared, prove, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.color import ColorSettings, correct_color
from stitchbed.pipelines.contract.claims import claim_page
from stitchbed.pipelines.texts.color import summary

FILE = click.Path(path_type=Path, dir_okay=False)
PICTURE = click.Path(path_type=Path)  # a folder here is told of in the words of the readers


@click.command("color", short_help="True color from a card.")
@click.argument("picture", type=PICTURE)
@click.option("-o", "--output", required=True, type=FILE, help="The TIFF to write.")
@click.option("--proof", type=FILE, help="Also write a proof page (HTML): before and after, numbers, settings.")
@settings_options(ColorSettings)
def command(picture: Path, output: Path, proof: Path | None, settings: ColorSettings, shared: Shared) -> None:
    """Correct a picture by a card or chart that lies in it, or in another one made with the same settings.

    Only measured colors give true color. The card printed at home, unmeasured, gives white balance and exposure.
    """
    claim_page(proof, output, [picture], settings)
    with shown(shared.quiet) as progress:
        record = correct_color(picture, output, settings, progress=progress)
    prove(proof, record, [picture], output)
    report(record, shared, summary(record, output))
