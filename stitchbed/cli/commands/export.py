"""I am `export`: copies for print, web, in layers, without paper.

In: a page, its lines, its flats. Out: files whose names say what they are.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from stitchbed.cli.options import Shared, report, shared_options

PATH = click.Path(path_type=Path)


class Size(click.ParamType):  # type: ignore[type-arg]
    """Width and height in mm."""

    name = "WxH"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        """Two positive numbers."""
        try:
            width, height = (float(part) for part in str(value).lower().split("x"))
        except ValueError:
            self.fail(f"{value!r} is no size; write it like 210x297", param, ctx)
        if width <= 0 or height <= 0:
            self.fail(f"{value!r} has no room", param, ctx)
        return width, height


@click.command("export", short_help="Copies for print, web, without paper.")
@click.argument("page", type=PATH, required=False)
@click.option("--lines", type=PATH, help="The line layer.")
@click.option("--flats", type=PATH, help="The flats.")
@click.option("-o", "--output", "folder", required=True, type=PATH, help="An existing folder.")
@click.option("--make", help="Which, with commas: layers,print,web,nopaper. All that can be made, when not said.")
@click.option("--name", "stem", help="How file names begin.")
@click.option("--replace", is_flag=True, help="Write over files that exist.")
@click.option("--print-mm", type=Size(), help="Room for the print in mm, like 210x297; its shape is kept.")
@click.option("--print-dpi", type=click.FloatRange(1), help="Dpi of the print.")
@click.option(
    "--web-px", type=click.IntRange(16), default=2048, show_default=True, help="Longest side of the web copy."
)
@click.option("--sharpen", type=click.FloatRange(0, 5), default=0.5, show_default=True, help="Of the web copy.")
@click.option("--layer-bits", type=click.Choice(["8", "16"]), help="Bits of the layers; the artwork's when not said.")
@click.option("--dpi", type=click.FloatRange(1), help="Dpi of the artwork, where files are wrong or silent.")
@shared_options
def command(page: Path | None, folder: Path, make: str | None, shared: Shared, **wishes: Any) -> None:
    """Make copies of PAGE, or of its lines over its flats, in the folder given. Nothing given is changed."""
    from stitchbed.copies.copies import CopySettings
    from stitchbed.pipelines.export import ExportSettings, export

    bits = wishes.pop("layer_bits")
    sizes = {key: wishes.pop(key) for key in ("print_mm", "print_dpi", "web_px", "sharpen")}
    copies = CopySettings(layer_bits=int(bits) if bits else None, **sizes)
    chosen = tuple(part.strip() for part in make.split(",")) if make else None
    told = ExportSettings(chosen, copies=copies, memory=shared.memory, workers=shared.workers, **wishes)
    record, text = export(page, folder, told)
    report(record, shared, text)
