"""I am `stitchbed join`: overlapping pieces into one canvas.

In: files or folders. Out: the master and its record.
"""

from __future__ import annotations

from pathlib import Path

import click

from stitchbed.cli.options import Shared, report
from stitchbed.cli.progress import shown
from stitchbed.cli.settings import settings_options
from stitchbed.pipelines.contract.claims import claim_page
from stitchbed.pipelines.join import JoinSettings, join
from stitchbed.pipelines.texts.join import summary

ANY = click.Path(path_type=Path)


@click.command("join", short_help="Pieces into one canvas: the main job.")
@click.argument("pieces", nargs=-1, required=True, type=ANY)
@click.option("-o", "--output", required=True, type=ANY, help="The canvas to write: .tif, .png or .jpg.")
@click.option("--proof", type=ANY, help="Also write a proof page (HTML) to look at seams and numbers.")
@settings_options(JoinSettings)
def command(pieces: tuple[Path, ...], output: Path, proof: Path | None, settings: JoinSettings, shared: Shared) -> None:
    """Join overlapping scans of one sheet into one canvas.

    PIECES are picture files or folders of them, in any order and turned any way. The originals are only read.
    """
    claim_page(proof, output, pieces, settings)
    with shown(shared.quiet) as progress:
        record = join(pieces, output, settings, progress=progress)
    if proof:
        from stitchbed.pipelines.proof import write_join_proof

        record["proof"] = write_join_proof(proof, record, output)
    report(record, shared, summary(record, output))
