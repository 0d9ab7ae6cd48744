"""I am `rectify`: photographs to true shape and size.

In: photos of one flat work, a card in them or the work's size. Out: a fronto-parallel picture at a true dpi.
"""

from __future__ import annotations

from pathlib import Path

import click

from stitchbed.cli.options import Shared, prove, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.contract.claims import claim_page
from stitchbed.pipelines.rectify import RectifySettings, rectify
from stitchbed.pipelines.texts.rectify import summary

FILE = click.Path(path_type=Path, dir_okay=False)
PICTURE = click.Path(path_type=Path)  # a folder here is told of in the words of the readers


@click.command("rectify", short_help="True shape and size from cards.")
@click.argument("photos", nargs=-1, required=True, type=PICTURE)
@click.option("-o", "--output", required=True, type=FILE, help="The TIFF to write.")
@click.option("--proof", type=FILE, help="Also write a proof page (HTML): before and after, numbers, settings.")
@settings_options(RectifySettings)
def command(
    photos: tuple[Path, ...], output: Path, proof: Path | None, settings: RectifySettings, shared: Shared
) -> None:
    """Photographs of a flat work, taken by hand, to a picture as if seen straight on, at its true size.

    Cards lie in the photos (see `card`); without one, --size and the work's edges or --corners serve. Further photos
    with the cards left in place give what shines in the first. Photos that each show a part of the work and overlap by
    a third become one picture; a card in any of them will do, corner cards all round are best.
    """
    claim_page(proof, output, photos, settings)
    with shown(shared.quiet) as progress:
        record = rectify(photos, output, settings, progress=progress)
    prove(proof, record, photos, output)
    report(record, shared, summary(record, output))
