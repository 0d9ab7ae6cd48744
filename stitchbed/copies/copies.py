"""I list what can be written from an artwork, and write it: layers, print, web, without paper.

In: an artwork, what was asked for. Out: files whose names say what they are, and numbers about each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np

from stitchbed.color.convert import to_srgb
from stitchbed.color.profiles import srgb_profile
from stitchbed.copies.artwork import Artwork, flattened, looks_painted, page_codes, without_paper
from stitchbed.copies.openraster import write_layers
from stitchbed.copies.resizing import resized, sharpened
from stitchbed.core.arrays import Floats, Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.core.files import claimed
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.core.quantities import MM_PER_INCH, point_mm, room
from stitchbed.core.settings import Setting
from stitchbed.imaging.box import Box, block_count, blocks
from stitchbed.imaging.depth import at_depth
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.transfer import to_linear, to_stored, transfer_of
from stitchbed.output.png import PngRows, PngSpec
from stitchbed.output.tiff_master import BLOCK, EncodedBlock, MasterSpec, encode_block, write_master
from stitchbed.page.figure import cut_out, figure_of

STRIP_PX = 2 * 2**20
READ_PX = 4 * 2**20  # of the artwork, read at once to be made smaller: some 100 MiB in linear light
SHARPEN_PX = 0.7  # radius of what is raised; common practice for screens, no source
CUTS = ("found", "figure", "tones")
UNSURE = 0.05  # of a figure's edge that is hardly darker than the paper, from which on it is told
LARGEST_SIDE = 400_000  # px; larger prints are a slip of the pen


@dataclass(frozen=True)
class CopySettings:
    """print_mm : (width, height) mm to fit the print into, the shape kept; None keeps the size it has.

    print_dpi : per inch; None keeps the artwork's. web_px : longest side. sharpen : amount once made smaller, or 0.
    layer_bits : 8, 16, or None for the artwork's depth. codec : of the print's TIFF.
    cut : how a page without layers loses its paper: "figure" keeps all within the outermost outline whole, "tones"
    turns every tone into alpha; "found" takes the figure of a painting and the tones of what is drawn.
    holes : (x, y) mm on bare paper within the figure that goes too.
    """

    print_mm: Annotated[
        tuple[float, float] | None,
        Setting("Room for the print; its shape is kept.", unit="WxH mm", low=0.1, high=1e5, read=room),
    ] = None
    print_dpi: Annotated[float | None, Setting("Dpi of the print.", unit="dpi", low=1, high=100_000)] = None
    web_px: Annotated[int, Setting("Longest side of the web copy.", unit="px", low=16, high=65_535)] = 2048
    sharpen: Annotated[float, Setting("Of the web copy.", low=0, high=5)] = 0.5
    layer_bits: Annotated[int | None, Setting("Bits of the layers; the artwork's when not said.", choices=(8, 16))] = (
        None
    )
    cut: Annotated[
        str,
        Setting("Without paper: the figure whole, or each tone as alpha; found from the page.", choices=CUTS),
    ] = "found"
    holes: Annotated[
        tuple[tuple[float, float], ...],
        Setting(
            "Mm from the top left on paper inside the figure that goes too; may be given again.",
            unit="X,Y", low=0, many=True, read=point_mm, option="hole",
        ),
    ] = ()  # fmt: skip
    codec: Annotated[str, Setting("Compression of the print.", shell=False, choices=("deflate", "zstd", "none"))] = (
        "deflate"
    )


@dataclass(frozen=True)
class Task:
    """One copy to make: path, the artwork, settings, threads, files never to be touched; what is told how far it is."""

    path: Path
    art: Artwork
    settings: CopySettings
    workers: int
    originals: tuple[Path, ...]
    progress: Progress = silent


@dataclass(frozen=True)
class Export:
    """name(stem, artwork, settings) -> file name. write(task) -> numbers. words : what it is."""

    name: Callable[[str, Artwork, CopySettings], str]
    write: Callable[[Task], dict[str, Any]]
    words: str


def print_size(art: Artwork, settings: CopySettings) -> tuple[int, int, float]:
    """height, width px and dpi of the print.

    Raises
    ------
    BadSettings : a size or dpi that is not positive or absurdly large.
    """
    first = art.first
    dpi = settings.print_dpi or first.dpi
    wide, high = first.width / first.dpi * MM_PER_INCH, first.height / first.dpi * MM_PER_INCH
    shrink = 1.0
    if settings.print_mm is not None:
        shrink = min(settings.print_mm[0] / wide, settings.print_mm[1] / high)
    height, width = (round(n / first.dpi * dpi * shrink) for n in (first.height, first.width))
    if dpi <= 0 or min(height, width) < 1 or max(height, width) > LARGEST_SIDE:
        raise BadSettings(
            f"a print of {width} x {height} px at {dpi:g} dpi",
            expected=f"1 to {LARGEST_SIDE} px a side",
            attempt="--print-mm 210x297 --print-dpi 600",
        )
    return height, width, dpi


def web_size(art: Artwork, settings: CopySettings) -> tuple[int, int]:
    """height, width px of the web copy: never larger than the artwork."""
    first = art.first
    scale = min(1.0, settings.web_px / max(first.height, first.width))
    return max(1, round(first.height * scale)), max(1, round(first.width * scale))


def _layers_name(stem: str, art: Artwork, settings: CopySettings) -> str:
    return f"{stem}_layers_{round(art.first.dpi)}dpi.ora"


def _print_name(stem: str, art: Artwork, settings: CopySettings) -> str:
    height, width, dpi = print_size(art, settings)
    kind = "rgb16" if art.colored else "gray16"
    across, down = (round(side / dpi * MM_PER_INCH) for side in (width, height))
    return f"{stem}_print_{across}x{down}mm_{round(dpi)}dpi_{kind}.tif"


def _web_name(stem: str, art: Artwork, settings: CopySettings) -> str:
    return f"{stem}_web_{max(web_size(art, settings))}px_srgb.png"


def _bare_name(stem: str, art: Artwork, settings: CopySettings) -> str:
    bits = np.iinfo(art.first.dtype).bits
    return f"{stem}_nopaper_{round(art.first.dpi)}dpi_{'rgba' if art.colored else 'graya'}{bits}.png"


def _write_layers(task: Task) -> dict[str, Any]:
    bits = task.settings.layer_bits or int(np.iinfo(task.art.first.dtype).bits)
    if bits not in (8, 16):
        raise BadSettings(f"{bits} bits a sample", expected="8 or 16", attempt="--layer-bits 8")
    first = task.art.first
    found = write_layers(
        task.path, task.art, bits=bits, workers=task.workers, originals=task.originals, progress=task.progress
    )
    return {"height": first.height, "width": first.width, "dpi": first.dpi, **found}


def _write_print(task: Task) -> dict[str, Any]:
    """A flattened TIFF of 16 bits with a profile; resized in linear light, code for code when the size stays."""
    art = task.art
    height, width, dpi = print_size(art, task.settings)
    icc = art.icc or (srgb_profile() if art.colored else None)
    spec = MasterSpec(height, width, 3 if art.colored else 1, "uint16", False, dpi, icc, task.settings.codec)

    def work(box: Box) -> EncodedBlock:
        return encode_block(_resized_codes(art, (height, width), box), spec)

    made = in_order(work, blocks(height, width, BLOCK), task.workers)
    told = counted(made, "copying for print", block_count(height, width, BLOCK), task.progress)
    write_master(task.path, spec, told, originals=task.originals)
    raw = height * width * spec.samples * 2
    mib = round(raw / 2**20, 1)
    return {"height": height, "width": width, "dpi": dpi, "bits": 16, "bytes_of_pixels": raw, "mib_of_pixels": mib}


def _resized_codes(art: Artwork, new: tuple[int, int], box: Box) -> Pixels:
    """(h, w, c) 16-bit codes of the flattened artwork at another size; what is made much smaller is read in parts."""
    old = art.first.height, art.first.width
    if new == old:
        return at_depth(flattened(art, box), "uint16")
    axis = 0 if box.height >= box.width else 1
    if box.height * box.width * (old[0] / new[0]) ** 2 > READ_PX and (box.height, box.width)[axis] > 1:
        return np.concatenate([_resized_codes(art, new, half) for half in _halves(box, axis)], axis=axis)
    transfer = transfer_of(art.icc)

    def read(part: Box) -> Floats:
        return to_linear(flattened(art, part), transfer)

    return to_stored(resized(read, old, new, box), "uint16", transfer)


def _halves(box: Box, axis: int) -> tuple[Box, Box]:
    """The box cut in two along an axis."""
    if axis == 0:
        cut = box.height // 2
        return Box(box.row, box.col, cut, box.width), Box(box.row + cut, box.col, box.height - cut, box.width)
    cut = box.width // 2
    return Box(box.row, box.col, box.height, cut), Box(box.row, box.col + cut, box.height, box.width - cut)


def _write_web(task: Task) -> dict[str, Any]:
    """An 8-bit PNG in sRGB, sharpened for its size; the dpi say the size the artwork has."""
    art, (height, width) = task.art, web_size(task.art, task.settings)
    strips = _strips(height, width, each=art.first.height * art.first.width / (height * width))
    made = in_order(lambda box: to_srgb(_resized_codes(art, (height, width), box), art.icc), strips, task.workers)
    codes = list(counted(made, "copying for screens", len(strips), task.progress))
    value = np.concatenate(codes).astype(np.float32) / np.float32(65535)
    if (height, width) != (art.first.height, art.first.width):
        value = sharpened(value, task.settings.sharpen, SHARPEN_PX)
    dpi = art.first.dpi * height / art.first.height
    spec = PngSpec(height, width, 3, 8, dpi, srgb=True)
    with (
        claimed(task.path, originals=task.originals) as partial,
        partial.open("wb") as file,
        PngRows(file, spec) as sheet,
    ):
        sheet.push(np.rint(value * 255).astype(np.uint8))
    return {"height": height, "width": width, "dpi": dpi, "bits": 8, "profile": "sRGB"}


def _write_bare(task: Task) -> dict[str, Any]:
    """A PNG with straight alpha where no paper is, full size, in the artwork's own profile."""
    art, first = task.art, task.art.first
    bits = int(np.iinfo(first.dtype).bits)
    spec = PngSpec(first.height, first.width, 4 if art.colored else 2, bits, first.dpi, art.icc, srgb=art.icc is None)
    strips, (of_box, told) = _strips(first.height, first.width), _bare(task)
    with (
        claimed(task.path, originals=task.originals) as partial,
        partial.open("wb") as file,
        PngRows(file, spec) as sheet,
    ):
        for rows in counted(
            in_order(of_box, strips, task.workers), "copying without paper", len(strips), task.progress
        ):
            sheet.push(rows)
    return {"height": first.height, "width": first.width, "dpi": first.dpi, "bits": bits, **told}


def _bare(task: Task) -> tuple[Callable[[Box], Pixels], dict[str, Any]]:
    """What makes a box of the artwork without its paper, and what is to be told of it."""
    art, cut = task.art, task.settings.cut
    if art.page is None or not art.page_shows:
        return lambda box: without_paper(art, box), {"cut": "layers"}
    if cut == "found":
        painted = art.painted or looks_painted(art, workers=task.workers, progress=task.progress)
        cut = "figure" if painted else "tones"
    if cut == "tones":
        return lambda box: without_paper(replace(art, lines=None), box), {"cut": cut}

    def read(box: Box) -> Pixels:
        return page_codes(art, box)

    size = art.first.height, art.first.width
    figure = figure_of(
        read, size, art.first.dpi, holes=task.settings.holes, workers=task.workers, progress=task.progress
    )
    words = ""
    if figure.share == 1:
        words = "no bare paper reaches the page's edge, so nothing was cut off: clean the page first"
    elif figure.unsure > UNSURE:
        words = (
            f"along {figure.unsure:.0%} of its edge the figure is hardly darker than the paper, and the paper's grain "
            "decided where it ends: look there, clean the page first if it is as scanned, or keep each tone as alpha "
            "with --cut tones"
        )
    return lambda box: cut_out(read, figure, box), {"cut": cut, "kept_share": figure.share, "doubt": words}


def _strips(height: int, width: int, *, each: float = 1) -> list[Box]:
    """Rows of a copy made at once. each : px of the artwork that are read for one of its own."""
    rows = max(16, int(STRIP_PX / (width * each)))
    return [Box(top, 0, min(rows, height - top), width) for top in range(0, height, rows)]


EXPORTS: dict[str, Export] = {
    "layers": Export(_layers_name, _write_layers, "lines, flats and paper as layers (OpenRaster)"),
    "print": Export(_print_name, _write_print, "flattened for print (TIFF)"),
    "web": Export(_web_name, _write_web, "for screens (PNG, sRGB)"),
    "nopaper": Export(_bare_name, _write_bare, "without paper (PNG)"),
}
