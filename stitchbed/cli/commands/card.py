"""I am `card`: the printable reference card.

In: a file name, paper, pieces. Out: card.pdf, card.png, card.txt.
"""

from __future__ import annotations

from pathlib import Path

import click

from stitchbed.cli.options import Shared, report, shared_options


@click.command("card", short_help="Make the printable reference card.")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path, dir_okay=False), help="card.pdf")
@click.option(
    "--paper", type=click.Choice(["A4", "letter"]), default="A4", show_default=True, help="Paper to print on."
)
@click.option(
    "--piece",
    type=click.Choice(["corner", "full", "all"]),
    default="all",
    show_default=True,
    help="Four small cards to lay round the work, one large card to lay beside it, or both.",
)
@shared_options
def command(output: Path, paper: str, piece: str, shared: Shared) -> None:
    """The card for true shape, size and color, to print at home: a PDF, the same as PNG, and its patches as text."""
    from stitchbed.pipelines.card import make_card

    record, text = make_card(output, paper=paper, piece=piece)
    report(record, shared, text)
