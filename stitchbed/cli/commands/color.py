"""I am `color`: true color from a card or chart.

In: a picture with the card in it, its measured colors. Out: the picture corrected, with a profile.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from stitchbed.cli.options import Shared, prove, report, shared_options
from stitchbed.cli.progress import shown
from stitchbed.core.corners import corner_points
from stitchbed.pipelines.color import ColorSettings

FILE = click.Path(path_type=Path, dir_okay=False)
PICTURE = click.Path(path_type=Path)  # a folder here is told of in the words of the readers


@click.command("color", short_help="True color from a card.")
@click.argument("picture", type=PICTURE)
@click.option("-o", "--output", required=True, type=FILE, help="The TIFF to write.")
@click.option("--card", type=click.Choice(["own", "24", "chart"]), default="own", show_default=True,
              help="The card of `card`, the classic chart of 24 patches, or any chart by --corners.")  # fmt: skip
@click.option("--patches", type=FILE, help="Colors of its patches: card.txt with measured values, or a reference file.")
@click.option(
    "--chart-in", type=FILE, help="Another picture, made with the same settings, that holds the card or chart."
)
@click.option("--edition", type=click.Choice(["before-2014", "from-2014"]), help="Of the chart of 24 patches.")
@click.option("--corners", nargs=4, metavar="X,Y X,Y X,Y X,Y", help="Of a chart's patch field, px, its top left first.")
@click.option("--fit", type=click.Choice(["auto", "matrix", "root"]), default="auto", show_default=True,
              help="Three terms, six terms, or whichever errs less on patches it has not seen.")  # fmt: skip
@click.option("--space", type=click.Choice(["same", "srgb", "wide"]), default="same", show_default=True,
              help="Color space of the output: the picture's own, sRGB, or a wide one for strong inks.")  # fmt: skip
@click.option("--bits", type=click.Choice(["8", "16"]), default="16", show_default=True, help="Per channel.")
@click.option("--grade", type=click.Choice(["prints", "paintings", "oversize"]), help="Also grade by this table.")
@click.option("--proof", type=FILE, help="Also write a proof page (HTML): before and after, numbers, settings.")
@shared_options
def command(picture: Path, output: Path, proof: Path | None, shared: Shared, **words: Any) -> None:
    """Correct a picture by a card or chart that lies in it, or in another one made with the same settings.

    Only measured colors give true color. The card printed at home, unmeasured, gives white balance and exposure.
    """
    from stitchbed.pipelines.color import color

    settings = color_settings(words, shared.workers)
    with shown(shared.quiet) as progress:
        record, text = color(picture, output, settings, progress=progress)
    prove(proof, record, [picture], output)
    report(record, shared, text)


def color_settings(words: Mapping[str, Any], workers: int) -> ColorSettings:
    """Settings of `color`.

    Raises
    ------
    BadSettings : corners that cannot be read.
    """
    return ColorSettings(
        card=words["card"],
        patches=words["patches"],
        edition=words["edition"],
        corners=corner_points(words["corners"], clockwise=False) if words["corners"] else None,
        chart_in=words["chart_in"],
        kind=words["fit"],
        space=words["space"],
        bits=int(words["bits"]),
        table=words["grade"],
        workers=workers,
    )
