"""I am `rectify`: photographs to true shape and size.

In: photos of one flat work, a card in them or the work's size. Out: a fronto-parallel picture at a true dpi.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from stitchbed.cli.options import Shared, prove, report, shared_options
from stitchbed.cli.progress import shown
from stitchbed.core.corners import corner_points, printed_lines
from stitchbed.core.quantities import length_mm, size_mm
from stitchbed.photos.survey.plane_types import Asked
from stitchbed.pipelines.rectify import RectifySettings

FILE = click.Path(path_type=Path, dir_okay=False)
PICTURE = click.Path(path_type=Path)  # a folder here is told of in the words of the readers


@click.command("rectify", short_help="True shape and size from cards.")
@click.argument("photos", nargs=-1, required=True, type=PICTURE)
@click.option("-o", "--output", required=True, type=FILE, help="The TIFF to write.")
@click.option("--dpi", required=True, type=click.FloatRange(min=10, max=20000), help="Resolution of the result.")
@click.option("--printed-mm", help="The card's check lines as measured, across x down: 159.6x159.8.")
@click.option("--size", help="Size of the work, width first: 600x420mm. Serves without a card.")
@click.option("--corners", nargs=4, metavar="X,Y X,Y X,Y X,Y", help="Its corners in the photo, px, top left first.")
@click.option("--margin", default="0mm", show_default=True, help="Shown round the work.")
@click.option("--blank", type=FILE, help="Photo of a blank sheet in the work's place, to even out the light.")
@click.option("--light", type=click.Choice(["auto", "blank", "board", "card", "none"]), default="auto",
              show_default=True, help="What tells how evenly the work was lit.")  # fmt: skip
@click.option("--keep-cards", is_flag=True, help="The result also holds the cards, for `color`.")
@click.option("--scan", is_flag=True, help="The picture is a scan: no perspective, no lens.")
@click.option("--bits", type=click.Choice(["8", "16"]), default="16", show_default=True, help="Per channel.")
@click.option("--grade", type=click.Choice(["prints", "paintings", "oversize"]), help="Also grade by this table.")
@click.option("--proof", type=FILE, help="Also write a proof page (HTML): before and after, numbers, settings.")
@shared_options
def command(photos: tuple[Path, ...], output: Path, proof: Path | None, shared: Shared, **words: Any) -> None:
    """Photographs of a flat work, taken by hand, to a picture as if seen straight on, at its true size.

    Cards lie in the photos (see `card`); without one, --size and the work's edges or --corners serve. Further photos
    with the cards left in place give what shines in the first. Photos that each show a part of the work and overlap by
    a third become one picture; a card in any of them will do, corner cards all round are best.
    """
    from stitchbed.pipelines.rectify import rectify

    settings = rectify_settings(words, shared.workers)
    with shown(shared.quiet) as progress:
        record, text = rectify(photos, output, settings, progress=progress)
    prove(proof, record, photos, output)
    report(record, shared, text)


def rectify_settings(words: Mapping[str, Any], workers: int) -> RectifySettings:
    """Settings of `rectify`.

    Raises
    ------
    BadSettings : a size, a length or corners that cannot be read.
    """
    asked = Asked(
        size_mm=size_mm(words["size"], option="--size") if words["size"] else None,
        corners=corner_points(words["corners"]) if words["corners"] else None,
        printed_mm=printed_lines(words["printed_mm"]) if words["printed_mm"] else None,
        margin_mm=length_mm(words["margin"], option="--margin", whole_mm=0.0) if words["margin"] != "0mm" else 0.0,
        scan=bool(words["scan"]),
        keep_cards=bool(words["keep_cards"]),
    )
    rest = {"blank": words["blank"], "light": words["light"], "bits": int(words["bits"]), "table": words["grade"]}
    return RectifySettings(dpi=float(words["dpi"]), asked=asked, workers=workers, **rest)
