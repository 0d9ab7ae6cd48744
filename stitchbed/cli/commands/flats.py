"""I am `flats`: regions under the lines.

In: a line layer. Out: a flat color for each closed region.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from stitchbed.cli.options import Shared, report, shared_options

PATH = click.Path(path_type=Path)


@click.command("flats", short_help="Flat regions under the lines.")
@click.argument("source", type=PATH)
@click.option("-o", "--output", required=True, type=PATH, help="The flats to write, .tif.")
@click.option(
    "--gap", type=click.FloatRange(0.01, 10), default=0.5, show_default=True, help="Mm, widest gap to bridge."
)
@click.option(
    "--sliver", type=click.FloatRange(0), default=0.3, show_default=True, help="Mm2, smaller ones are merged."
)
@click.option("--line", type=click.FloatRange(0.02, 0.98), default=0.25, show_default=True, help="Alpha that is line.")
@click.option("--ground", type=click.Choice(["largest", "edge", "none"]), default="largest", show_default=True,
              help="Regions at the page's edge that stay paper.")  # fmt: skip
@click.option("--paper", default="#ffffff", show_default=True, help="Color of the paper.")
@click.option("--palette", help="Colors, with commas: #e8b4a0,#a9cfc2,...")
@click.option("--from", "reference", type=PATH, help="Take each region's mean color from this page.")
@click.option("--dpi", type=click.FloatRange(1), help="Dpi of the lines, where the file is wrong or silent.")
@click.option("--codec", type=click.Choice(["deflate", "zstd", "none"]), default="deflate", show_default=True)
@click.option("--pictures/--no-pictures", default=True, show_default=True, help="Show the regions, small.")
@shared_options
def command(source: Path, output: Path, palette: str | None, shared: Shared, **wishes: Any) -> None:
    """Fill each closed region of the line layer SOURCE with flat color that meets its neighbors under the lines.

    SOURCE comes from `lines`; a clean page will do. It is only read.
    """
    from stitchbed.pipelines.flats import FlatsSettings, flats

    wishes |= {"palette": tuple(palette.split(","))} if palette else {}
    wishes["colors"] = "mean" if wishes["reference"] else "palette"
    record, text = flats(source, output, FlatsSettings(memory=shared.memory, workers=shared.workers, **wishes))
    report(record, shared, text)
