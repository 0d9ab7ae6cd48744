"""I am `plan`: how to cut a sheet into captures, and what a resolution costs.

In: sizes in words. Out: the plan as text or JSON, and as a drawing to print.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from stitchbed.cli.options import Shared, report, shared_options
from stitchbed.pipelines.plan import PlanSettings
from stitchbed.planning import costs


@click.command("plan", short_help="How to cut a sheet into captures.")
@click.option("--art", required=True, help="The sheet: 420x594mm, 18x24in, A2, letter ...")
@click.option("--bed", required=True, help="What the scanner sees: 216x297mm, as the scan stands.")
@click.option("--dpi", type=click.FloatRange(min=30, max=20000), help="Resolution; without it one is advised.")
@click.option("--use", default="print-same-size", show_default=True, help='print-same-size, "enlarge 2x" or web.')
@click.option("--overlap", default="20%", show_default=True, help="Least overlap: a length or a share of the bed.")
@click.option(
    "--closed",
    multiple=True,
    type=click.Choice(["top", "right", "bottom", "left", "none"]),
    default=["top"],
    show_default=True,
    help="Side of the scan where the sheet cannot hang over the bed (the lid's hinge); may be given again.",
)
@click.option("--bits", type=click.Choice(["1", "8", "16"]), default="16", show_default=True, help="Per channel.")
@click.option("--gray", is_flag=True, help="One channel instead of three.")
@click.option("--timing", "timed", help="One capture you timed, such as 38s@300.")
@click.option(
    "--drawing", multiple=True, type=click.Path(path_type=Path, dir_okay=False), help="Page to print, .svg or .png."
)
@shared_options
def command(drawing: tuple[Path, ...], shared: Shared, **words: Any) -> None:
    """How many captures a sheet needs, in which order, which turned, and what they cost."""
    from stitchbed.pipelines.plan import plan

    record, text = plan(plan_settings(words), drawing)
    report(record, shared, text)


def plan_settings(words: Mapping[str, Any]) -> PlanSettings:
    """Settings from the words of the command line: art, bed, dpi, use, overlap, closed, bits, gray, timed."""
    rest = {key: words[key] for key in ("art", "bed", "dpi", "use", "overlap", "timed")}
    closed = tuple(side for side in words["closed"] if side != "none")
    return PlanSettings(**rest, closed=closed, depth=costs.Depth(1 if words["gray"] else 3, int(words["bits"])))
