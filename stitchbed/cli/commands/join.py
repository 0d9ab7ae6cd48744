"""I am `stitchbed join`: overlapping pieces into one canvas.

In: files or folders. Out: the master and its record.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from stitchbed.cli.options import Shared, report, shared_options
from stitchbed.cli.progress import shown
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.pipelines.join import OUTSIDE, JoinSettings, join

ANY = click.Path(path_type=Path)


@click.command("join")
@click.argument("pieces", nargs=-1, required=True, type=ANY)
@click.option("-o", "--output", required=True, type=ANY, help="The canvas to write: .tif, .png or .jpg.")
@click.option("--dpi", type=click.FloatRange(1), help="Dpi of the pieces, where the files are wrong or silent.")
@click.option("--outside", type=click.Choice(OUTSIDE), default="alpha", show_default=True,
              help="Places no piece sees: transparent, or the paper's color.")  # fmt: skip
@click.option("--codec", type=click.Choice(["deflate", "zstd", "none"]), default="deflate", show_default=True)
@click.option(
    "--assume-profile", type=click.Choice(["first", "none"]), help="Where profiles differ: take the first, or none."
)
@click.option("--allow-missing", is_flag=True, help="Write the rest when a piece cannot be placed.")
@click.option("--allow-unreadable", is_flag=True, help="Go on without files that cannot be read.")
@click.option("--max-megapixels", type=float, default=4000, show_default=True, help="Largest canvas.")
@click.option("--proof", type=ANY, help="Also write a proof page (HTML) to look at seams and numbers.")
@shared_options
def command(pieces: tuple[Path, ...], output: Path, proof: Path | None, shared: Shared, **wishes: Any) -> None:
    """Join overlapping scans of one sheet into one canvas.

    PIECES are picture files or folders of them, in any order and turned any way. The originals are only read.
    """
    settings = settings_of(shared, **wishes)
    with shown(shared.quiet) as progress:
        record = join(pieces, output, settings, progress=progress)
    if proof:
        from stitchbed.pipelines.proof import write_proof

        record["proof"] = write_proof(proof, record, output)
    report(record, shared, summary(record))


def settings_of(shared: Shared, *, allow_missing: bool, max_megapixels: float, **rest: Any) -> JoinSettings:
    """Settings from the command's words."""
    base = JoinSettings(memory=shared.memory, workers=shared.workers, **rest)
    return replace(base, survey=replace(base.survey, allow_missing=allow_missing, max_megapixels=max_megapixels))


def summary(record: dict[str, Any]) -> str:
    """What a person wants to know first."""
    canvas = record["canvas"]
    mm = [canvas[side] / canvas["dpi"] * MM_PER_INCH for side in ("width", "height")]
    left = [step["numbers"].get("rms_px") for step in record["steps"] if step["step"] == "measure"]
    lines = [
        f"{canvas['path']}: {canvas['width']} x {canvas['height']} px, {mm[0]:.0f} x {mm[1]:.0f} mm at "
        f"{canvas['dpi']:.0f} dpi, from {len(record['placements'])} of {len(record['inputs'])} pieces.",
        *([f"Neighbors agree to {left[0]:.2f} px."] if left and left[0] is not None else []),
        *[f"Note: {warning}." for warning in record["warnings"]],
        f"Record: {Path(canvas['path']).with_suffix('.json')}",
    ]
    return "\n".join(lines)
