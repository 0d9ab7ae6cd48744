"""I am `clean`: border, repairs, paper, dust, tone.

In: a master. Out: a clean master, the mask of its dust, pictures and numbers of each step.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from stitchbed.cli.options import Shared, prove, report, shared_options

STEPS = "border,repair,paper,dust,tone"


class Rect(click.ParamType):  # type: ignore[type-arg]
    """x,y,width,height in pixels."""

    name = "x,y,width,height"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, ...]:
        """Four whole numbers."""
        parts = str(value).split(",")
        if len(parts) != 4 or not all(p.strip().isdigit() for p in parts):
            self.fail(f"{value!r} is no rectangle; write it like 100,200,30,30", param, ctx)
        return tuple(int(p) for p in parts)


@click.command("clean", short_help="Border, dust, paper, tone.")
@click.argument("source", type=click.Path(path_type=Path))
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="The clean master to write, .tif.")
@click.option("--steps", default=STEPS, show_default=True, help="Which steps, with commas; their order is fixed.")
@click.option("--dpi", type=click.FloatRange(1), help="Dpi of the page, where the file is wrong or silent.")
@click.option("--turn", type=click.Choice(["0", "90", "180", "270"]), default="0", help="Turn clockwise.")
@click.option("--inset", type=click.FloatRange(0), default=0.1, show_default=True, help="Mm cut off inside the edge.")
@click.option("--dust", "strength", type=click.Choice(["careful", "normal", "eager"]), default="normal",
              show_default=True, help="careful: only what cannot have been drawn.")  # fmt: skip
@click.option("--largest", type=click.FloatRange(0.05, 3), default=0.6, show_default=True, help="Mm, largest dust.")
@click.option("--smallest-dot", type=click.FloatRange(0), default=0.15, show_default=True, help="Mm, the pen's finest.")
@click.option("--specks-in-ink", "in_ink", is_flag=True,
              help="Also fill light specks in solid ink; stars and highlights may go with them.")  # fmt: skip
@click.option("--white", default="found", show_default=True, help="found, keep, or the L* that becomes white.")
@click.option("--black", default="found", show_default=True, help="found, keep, or the L* that becomes black.")
@click.option("--gamma", type=click.FloatRange(0.1, 10), default=1.0, show_default=True, help="Over 1: lighter middle.")
@click.option("--edges", type=click.Choice(["soft", "crisp", "hard"]), default="soft", show_default=True,
              help="soft: as scanned. crisp: black on white, edges a pixel wide. hard: no gray at all.")  # fmt: skip
@click.option("--repair", "rects", type=Rect(), multiple=True, help="A place to fill from around; may be repeated.")
@click.option("--repair-mask", "mask", type=click.Path(path_type=Path),
              help="A picture of the page's size, light where to fill.")  # fmt: skip
@click.option("--codec", type=click.Choice(["deflate", "zstd", "none"]), default="deflate", show_default=True)
@click.option("--pictures/--no-pictures", default=True, show_default=True, help="Before/after pictures of each step.")
@click.option("--proof", type=click.Path(path_type=Path),
              help="Also write a proof page (HTML): before and after, numbers, settings.")  # fmt: skip
@shared_options
def command(source: Path, output: Path, proof: Path | None, shared: Shared, **wishes: Any) -> None:
    """Make SOURCE clean: crop and straighten the sheet, even out its paper, take off dust, set white and black.

    SOURCE is only read. What each step did is shown in a folder beside the output and told in its record.
    """
    from stitchbed.pipelines.clean import clean

    record, text = clean(source, output, settings_of(shared, **wishes))
    prove(proof, record, [source], output)
    report(record, shared, text)


def settings_of(shared: Shared, *, steps: str, codec: str, pictures: bool, dpi: float | None, **rest: Any) -> Any:
    """Settings from the command's words."""
    from stitchbed.page.clean.repair_places import RepairSettings
    from stitchbed.page.dust.classify import DustSettings
    from stitchbed.page.sheet.border import BorderSettings
    from stitchbed.page.sheet.tone import ToneSettings
    from stitchbed.pipelines.clean import CleanSettings

    chosen = [step.strip() for step in steps.split(",") if step.strip()]
    if (rest["rects"] or rest["mask"]) and "repair" not in chosen:
        chosen.append("repair")
    return CleanSettings(
        steps=tuple(chosen),
        border=BorderSettings(inset=rest["inset"], turn=int(rest["turn"])),
        repair=RepairSettings(tuple(rest["rects"]), rest["mask"]),
        dust=DustSettings(rest["strength"], rest["largest"], rest["smallest_dot"], rest["in_ink"]),
        tone=ToneSettings(rest["white"], rest["black"], rest["gamma"], rest["edges"]),
        codec=codec, dpi=dpi, pictures=pictures, memory=shared.memory, workers=shared.workers,
    )  # fmt: skip
