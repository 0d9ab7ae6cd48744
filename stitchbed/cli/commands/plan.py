"""I am `plan`: how to cut a sheet into captures, and what a resolution costs.

In: sizes in words. Out: the plan as text or JSON, and as a drawing to print.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from stitchbed.cli.options import Shared, report
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.plan import PlanSettings, plan
from stitchbed.pipelines.texts.plan import summary

PATH = click.Path(path_type=Path, dir_okay=False)


@click.command("plan", short_help="How to cut a sheet into captures.")
@click.option("--gray", is_flag=True, help="One channel instead of three.")
@click.option("--drawing", multiple=True, type=PATH, help="Page to print, .svg or .png.")
@settings_options(PlanSettings)
def command(drawing: tuple[Path, ...], gray: bool, settings: PlanSettings, shared: Shared) -> None:
    """How many captures a sheet needs, in which order, which turned, and what they cost."""
    depth = replace(settings.depth, channels=1) if gray else settings.depth
    record = plan((), drawing, replace(settings, depth=depth))
    report(record, shared, summary(record))
