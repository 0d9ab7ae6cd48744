"""I am `card`: the printable reference card.

In: a file name, paper, pieces. Out: card.pdf, card.png, card.txt.
"""

from __future__ import annotations

from pathlib import Path

import click

from stitchbed.cli.options import Shared, report
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.card import CardSettings, make_card
from stitchbed.pipelines.texts.card import summary


@click.command("card", short_help="Make the printable reference card.")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path, dir_okay=False), help="card.pdf")
@settings_options(CardSettings)
def command(output: Path, settings: CardSettings, shared: Shared) -> None:
    """The card for true shape, size and color, to print at home: a PDF, the same as PNG, and its patches as text."""
    record = make_card((), output, settings)
    report(record, shared, summary(record, output))
