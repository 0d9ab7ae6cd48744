"""I am `lines`: ink off the paper.

In: a clean master. Out: a layer of ink color and alpha.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from stitchbed.cli.options import Shared, report, shared_options


@click.command("lines", short_help="Ink off the paper.")
@click.argument("source", type=click.Path(path_type=Path))
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="The layer to write, .tif.")
@click.option("--ink", default="own", show_default=True, help="own, black, or a color like #1f3a93.")
@click.option("--medium", type=click.Choice(["ink", "pencil"]), default="ink", show_default=True,
              help="ink: solid strokes are opaque. pencil: every tone stays tone.")  # fmt: skip
@click.option("--dpi", type=click.FloatRange(1), help="Dpi of the page, where the file is wrong or silent.")
@click.option("--codec", type=click.Choice(["deflate", "zstd", "none"]), default="deflate", show_default=True)
@click.option("--pictures/--no-pictures", default=True, show_default=True, help="Show the lines over a color.")
@shared_options
def command(source: Path, output: Path, shared: Shared, **wishes: Any) -> None:
    """Lift the lines of SOURCE off their paper: over white they look as before, over color no paper shows.

    SOURCE is only read; it should come from `clean`, so that its paper is white.
    """
    from stitchbed.pipelines.lines import LinesSettings, lines

    record, text = lines(source, output, LinesSettings(memory=shared.memory, workers=shared.workers, **wishes))
    report(record, shared, text)
