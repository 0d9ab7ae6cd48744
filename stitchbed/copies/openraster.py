"""I write layers as OpenRaster: lines, reference, flats by color, paper, and the merged picture.

Of a painting: the painting itself, and over it, hidden, its lines and its areas of color.

In: an artwork. Out: one zip whose layers, blended on stored codes, give the merged picture.
Reference: OpenRaster baseline specification 0.0.5 (zip, mimetype first and stored, stack.xml, data/, mergedimage.png,
Thumbnails/thumbnail.png); blending by W3C Compositing and Blending Level 1, src-over.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.color.convert import to_srgb
from stitchbed.copies.artwork import Artwork, flat_codes, line_layer, page_codes, paper_codes
from stitchbed.copies.flat_layers import FlatLayer, flat_layers, packed, strips
from stitchbed.core.arrays import Pixels
from stitchbed.core.files import claimed
from stitchbed.core.progress import Progress, counted, silent, ticking
from stitchbed.imaging.box import Box
from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.depth import at_depth
from stitchbed.imaging.parallel import in_order
from stitchbed.output.png import PngRows, PngSpec
from stitchbed.page.color_areas import color_areas
from stitchbed.page.line_art.ink_layer import over

MIMETYPE = b"image/openraster"
VERSION = "0.0.5"
THUMBNAIL = 256  # px, the longest side
AREAS = "Areas to select by"  # of a painting
STAMP = (1980, 1, 1, 0, 0, 0)  # of every entry, so that equal input gives equal files


@dataclass(frozen=True)
class _Entry:
    """One layer: file in the zip, what it is called, where it lies, whether it shows, its kind."""

    file: str
    name: str
    box: Box
    visible: bool = True
    group: str | None = None


@dataclass(frozen=True)
class _Strip:
    """Rows of the file: whole: name -> pixels of the pictures as wide as the page; colors of the flats, and layer : of
    which layer of flats each pixel is.
    """

    box: Box
    whole: Mapping[str, Pixels]
    colors: Pixels
    layer: NDArray[np.uint16] | None


def write_layers(
    path: Path,
    art: Artwork,
    *,
    bits: int,
    workers: int = 1,
    originals: Sequence[Path] = (),
    progress: Progress = silent,
) -> dict[str, Any]:
    """Write the artwork; returns what is in it. bits : 8 or 16 per sample.

    Raises
    ------
    CannotWrite, WouldTouchOriginal : see `core.record.claimed`.
    """
    if art.painted and art.page is not None:
        art = replace(art, flats=color_areas(art.page, workers=workers, progress=progress))
    flat = flat_layers(art, workers, progress=progress)
    entries = _entries(art, flat)
    with (
        claimed(path, originals=originals) as partial,
        tempfile.TemporaryDirectory(dir=path.parent, prefix=f".{path.name}.{os.getpid()}.", suffix=".rows") as scratch,
    ):
        folder = Path(scratch)
        _write_pictures(folder, art, entries, flat, bits=bits, workers=workers, progress=progress)
        _write_zip(partial, folder, _stack(art, entries), entries, progress)
    return {"layers": [e.name for e in entries], "flat_layers": len(flat), "bits": bits, "version": VERSION}


def _entries(art: Artwork, flat: Sequence[FlatLayer]) -> list[_Entry]:
    """All layers from the top down. A painting shows itself; its lines and areas lie over it, hidden, to select by."""
    whole = Box(0, 0, art.first.height, art.first.width)
    lines = _Entry("data/lines.png", "Lines", whole, visible=not art.painted)
    paper = _Entry("data/paper.png", "Paper", whole)
    group = AREAS if art.painted else "Flats"
    flats = [_Entry(_flat_file(n), f.name, f.box, visible=not art.painted, group=group) for n, f in enumerate(flat, 1)]
    if art.painted:
        return [lines, *flats, _Entry("data/reference.png", "Painting", whole), paper]
    if art.page is not None and art.lines is not None:
        return [lines, _Entry("data/reference.png", "Scan, for reference", whole, visible=False), *flats, paper]
    return [lines, *flats, paper]


def _flat_file(number: int) -> str:
    return f"data/flat_{number:02d}.png"


def _write_pictures(
    folder: Path,
    art: Artwork,
    entries: Sequence[_Entry],
    flat: Sequence[FlatLayer],
    *,
    bits: int,
    workers: int,
    progress: Progress,
) -> None:
    """All PNGs of the file in one pass over the artwork, several of them packed at a time."""
    (folder / "data").mkdir()
    (folder / "Thumbnails").mkdir()
    first, dtype = art.first, f"uint{bits}"
    small: list[Pixels] = []
    step = max(1, max(first.height, first.width) // THUMBNAIL)
    numbers = {_flat_file(n): (n, layer) for n, layer in enumerate(flat, 1)}
    with ExitStack() as stack:
        sheets = {}
        for entry in (*entries, _Entry("mergedimage.png", "", Box(0, 0, first.height, first.width))):
            file = stack.enter_context((folder / entry.file).open("wb"))
            samples = 3 if entry.file in ("mergedimage.png", "data/paper.png", "data/reference.png") else 4
            size, plain = (entry.box.height, entry.box.width), art.icc is None
            spec = PngSpec(*size, samples, bits, first.dpi, art.icc, srgb=plain, quick=True)
            sheets[entry.file] = stack.enter_context(PngRows(file, spec))
        pool = stack.enter_context(ThreadPoolExecutor(workers))
        parts = strips(art)
        progress("writing layers", 0, len(parts) * len(sheets))
        tick = ticking("writing layers", len(parts) * len(sheets), progress)
        for strip in in_order(lambda box: _strip_of(art, box, flat, dtype), parts, workers):
            list(pool.map(partial(_push, strip, sheets, numbers, tick), sheets))
            small.append(_thinned(strip.whole["mergedimage.png"], strip.box, step))
    _write_thumbnail(folder / "Thumbnails" / "thumbnail.png", np.concatenate(small), art)


def _strip_of(art: Artwork, box: Box, flat: Sequence[FlatLayer], dtype: str) -> _Strip:
    """A strip of every picture as wide as the page; merged from the very codes of the layers."""
    lines = _rgb(at_depth(line_layer(art, box), dtype))
    codes, solid = flat_codes(art, box)
    paper = at_depth(paper_codes(art), dtype)
    paper = np.broadcast_to(paper if len(paper) == 3 else np.repeat(paper, 3), (box.height, box.width, 3))
    colors = _rgb(at_depth(codes, dtype))
    whole = {"data/lines.png": lines, "data/paper.png": paper}
    if art.page is not None:
        whole["data/reference.png"] = _rgb(at_depth(page_codes(art, box), dtype))
    shown = whole["data/reference.png"] if art.painted else over(lines, np.where(solid[..., None], colors, paper))
    whole["mergedimage.png"] = shown
    return _Strip(box, whole, colors, None if art.flats is None else _layer_of(codes, solid, flat))


def _layer_of(codes: Pixels, solid: NDArray[np.bool_], flat: Sequence[FlatLayer]) -> NDArray[np.uint16]:
    """(h, w) number, from 1 on, of the layer each pixel of the flats belongs to; 0 where paper is bare."""
    if not flat:
        return np.zeros(solid.shape, np.uint16)
    colors = np.concatenate([layer.colors for layer in flat])
    numbers = np.repeat(np.arange(1, len(flat) + 1, dtype=np.uint16), [len(layer.colors) for layer in flat])
    order = np.argsort(colors, kind="stable")
    found = np.searchsorted(colors[order], packed(codes)).clip(max=len(colors) - 1)
    return np.where(solid, numbers[order][found], np.uint16(0))


def _push(
    strip: _Strip,
    sheets: Mapping[str, PngRows],
    flats: Mapping[str, tuple[int, FlatLayer]],
    tick: Callable[[], None],
    name: str,
) -> None:
    """Give a picture its rows of a strip; a layer of flats may have none there."""
    rows = strip.whole[name] if name in strip.whole else _flat_rows(strip, *flats[name])
    if len(rows):
        sheets[name].push(rows)
    tick()


def _flat_rows(strip: _Strip, number: int, layer: FlatLayer) -> Pixels:
    """(n, w, 4) color and alpha of what of a layer lies in a strip."""
    top, bottom = max(strip.box.row, layer.box.row), min(strip.box.bottom, layer.box.bottom)
    if strip.layer is None or bottom <= top:
        return np.zeros((0, layer.box.width, 4), strip.colors.dtype)
    place = slice(top - strip.box.row, bottom - strip.box.row), slice(layer.box.col, layer.box.right)
    rows = np.zeros((bottom - top, layer.box.width, 4), strip.colors.dtype)
    _pick(strip.colors[place], strip.layer[place], number, int(np.iinfo(rows.dtype).max), rows)
    return rows


@compiled
def _pick(colors: Pixels, layer: NDArray[np.uint16], number: int, top: int, rows: Pixels) -> None:
    """Fill `rows` (h, w, 4) with the colors (h, w, 3) of one layer's pixels, opaque."""
    for y in range(rows.shape[0]):
        for x in range(rows.shape[1]):
            if layer[y, x] == number:
                for c in range(3):
                    rows[y, x, c] = colors[y, x, c]
                rows[y, x, 3] = top


def _rgb(codes: Pixels) -> Pixels:
    """Gray or gray and alpha as RGB or RGB and alpha."""
    if codes.shape[2] > 2:
        return codes
    return np.concatenate([np.repeat(codes[..., :1], 3, axis=2), codes[..., 1:]], axis=2)


def _thinned(merged: Pixels, box: Box, step: int) -> Pixels:
    """Every step-th row of the picture, each the mean of what is there of its rows and columns, 8 bits."""
    first = -(-box.row // step) * step - box.row
    rows = [merged[r : r + step] for r in range(first, box.height, step)]
    width = max(1, merged.shape[1] // step)
    lines = [cv2.resize(part, (width, 1), interpolation=cv2.INTER_AREA).reshape(1, width, 3) for part in rows]
    whole = np.concatenate(lines) if lines else np.zeros((0, width, 3), merged.dtype)
    return at_depth(whole, "uint8")


def _write_thumbnail(path: Path, small: Pixels, art: Artwork) -> None:
    longest = max(art.first.height, art.first.width)
    scale = min(1.0, THUMBNAIL / longest)
    size = max(1, round(art.first.width * scale)), max(1, round(art.first.height * scale))
    picture = cv2.resize(to_srgb(small, art.icc if art.colored else None), size, interpolation=cv2.INTER_AREA)
    spec = PngSpec(size[1], size[0], 3, 8, None, srgb=True)
    with path.open("wb") as file, PngRows(file, spec) as sheet:
        sheet.push(picture.reshape(size[1], size[0], 3))


def _stack(art: Artwork, entries: Sequence[_Entry]) -> bytes:
    """stack.xml: the first child is the topmost layer."""
    dpi = str(round(art.first.dpi))
    image = ElementTree.Element(
        "image", version=VERSION, w=str(art.first.width), h=str(art.first.height), xres=dpi, yres=dpi
    )
    root = ElementTree.SubElement(image, "stack")
    groups: dict[str, ElementTree.Element] = {}
    for entry in entries:
        parent = root
        if entry.group is not None:
            if entry.group not in groups:
                groups[entry.group] = ElementTree.SubElement(root, "stack", name=entry.group)
            parent = groups[entry.group]
        visible = "visible" if entry.visible else "hidden"
        place = {"x": str(entry.box.col), "y": str(entry.box.row), "visibility": visible}
        ElementTree.SubElement(parent, "layer", {"name": entry.name, "src": entry.file, **place})
    return bytes(ElementTree.tostring(image, encoding="UTF-8", xml_declaration=True))


def _write_zip(partial: Path, folder: Path, stack: bytes, entries: Sequence[_Entry], progress: Progress) -> None:
    """The mimetype first and stored; pictures stored, as they are deflated already."""
    with zipfile.ZipFile(partial, "w") as archive:
        archive.writestr(zipfile.ZipInfo("mimetype", STAMP), MIMETYPE)
        info = zipfile.ZipInfo("stack.xml", STAMP)
        info.compress_type = zipfile.ZIP_DEFLATED
        archive.writestr(info, stack)
        names = ("Thumbnails/thumbnail.png", "mergedimage.png", *(e.file for e in entries))
        for name in counted(names, "putting layers together", len(names), progress):
            entry = zipfile.ZipInfo(name, STAMP)
            entry.file_size = (folder / name).stat().st_size
            with (folder / name).open("rb") as source, archive.open(entry, "w") as target:
                shutil.copyfileobj(source, target, 2**20)
