"""I tell how the closed regions of a line layer become flat areas under the lines.

In: a line layer (or a clean page). Out: a TIFF of flat color, a list of its regions, a picture, a record.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np

from stitchbed.color.convert import from_srgb, hex_color, to_srgb
from stitchbed.color.profiles import srgb_profile
from stitchbed.core.arrays import Bytes, Mask, Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.core.files import sha256_of, write_json
from stitchbed.core.locks import locked
from stitchbed.core.memory import workers_within
from stitchbed.core.progress import Cancel, Progress, counted, never, silent, watched
from stitchbed.core.quantities import MM_PER_INCH, listed
from stitchbed.core.record import notes_of, recording
from stitchbed.core.settings import CODEC, DPI, PICTURES, Setting, check
from stitchbed.imaging.box import Box, block_count, blocks
from stitchbed.imaging.gray import mean_of
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.reduce import reduction_to
from stitchbed.output.room import demand_room
from stitchbed.output.tiff_master import BLOCK, EncodedBlock, MasterSpec, encode_block, write_master
from stitchbed.page.line_art.fill import GROUNDS, PALETTE, Region, colored, colorless, region_means, renamed, settled
from stitchbed.page.line_art.lasting import numbers_before
from stitchbed.page.line_art.merging.closed_areas import closed_areas, neck
from stitchbed.page.line_art.spread import HALF_LINE_MM, RegionMap, cells_free, regions_at
from stitchbed.page.page import Page, page_of
from stitchbed.pipelines.contract.claims import claim_outputs
from stitchbed.pipelines.contract.inputs import Inputs, one_path
from stitchbed.pipelines.contract.records import StepRecord, told_of
from stitchbed.reading.formats import open_windows
from stitchbed.report.before_after import write_pair

MAP_DPI = 300.0  # of the small map regions are found on: a cell of .085 mm, less than half the finest usual pen
MOSTLY_LINE = 0.6  # share of a page that no drawing in ink covers: its washes count too
CELL_BYTES = 16  # of memory a cell of the small map takes at the worst moment, measured
WORKER_BYTES = 96 * 2**20  # one thread's share of a page in color, measured
COLORS = ("palette", "mean")
LASTING = ("number", "color", "x_mm", "y_mm", "box_mm", "area_mm2")  # what a region is known by when it is filled again


@dataclass(frozen=True)
class FlatsSettings:
    """gap : mm, the widest opening of an outline that is closed. sliver : mm2, smaller regions join a neighbor.

    every_line : hatching, dots and lettering close in areas too.
    line : alpha from which on a pixel is line. ground : what is left the paper's color: the "largest" region at the
    page's edge, all at the "edge", or "none". paper : that color. palette : colors of the others.
    colors : "palette", or "mean": the mean color of `reference` (a picture of the same size) in each region.
    painted : in a job, of a painting too. codec : of the file. dpi : where the file is wrong or silent.
    pictures : show lines over flats, small. memory : bytes to work in. workers : threads.
    replace : keep aside what lies there and was not made here.
    records : folder for record and pictures, None: beside the output. full_paths : in the record.
    """

    gap: Annotated[float, Setting("Widest opening of an outline to close.", unit="mm", low=0.01, high=10)] = 1.5
    sliver: Annotated[float, Setting("Smaller regions are merged.", unit="mm2", low=0, high=1e4)] = 0.3
    every_line: Annotated[bool, Setting("Hatching, dots and lettering close in areas too.")] = False
    line: Annotated[float, Setting("Alpha that is line.", low=0.02, high=0.98)] = 0.25
    ground: Annotated[str, Setting("Regions at the page's edge that stay paper.", choices=GROUNDS)] = "largest"
    paper: Annotated[str, Setting("Color of the paper.")] = "#ffffff"
    palette: Annotated[
        tuple[str, ...], Setting("Colors, with commas: #e8b4a0,#a9cfc2,...", unit="COLORS", read=listed)
    ] = PALETTE
    colors: Annotated[str, Setting("From the palette, or the mean of a page.", shell=False, choices=COLORS)] = "palette"
    reference: Annotated[Path | None, Setting("Take each region's mean color from this page.", option="from")] = None
    painted: Annotated[bool, Setting("Fill flats of a painting too.", shell=False)] = False
    codec: Annotated[str, CODEC] = "deflate"
    dpi: Annotated[float | None, DPI] = None
    pictures: Annotated[bool, PICTURES] = True
    memory: int = 2**30
    workers: int = 2
    replace: bool = False
    records: Path | None = None
    full_paths: bool = False


def fill_flats(
    inputs: Inputs,
    output: str | Path,
    settings: FlatsSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> StepRecord:
    """Fill the regions of one line layer into `output` (TIFF); returns the record, also written beside it.

    Raises
    ------
    BadSettings : unknown words, a reference of another size, too few colors. Others : see scans and ground.
    """
    settings = settings or FlatsSettings()
    check(settings)
    workers = workers_within(settings.workers, settings.memory, WORKER_BYTES)
    source, target, progress = one_path(inputs, "flats", settings.dpi), Path(output), watched(progress, cancel)
    originals = [source, *([settings.reference] if settings.reference else [])]
    told_in = notes_of(target, settings.records)
    notes = _check(settings, target, originals)
    with (
        locked(target),
        open_windows(source, memory=settings.memory) as windows,
        recording("flats", replace(settings, memory=0, workers=0, records=None)) as record,
    ):
        page = page_of(windows, dpi=settings.dpi)
        line_at = lines_of(page, settings.line)
        found, regions = region_map(page, line_at, replace(settings, workers=workers), progress=progress)
        before = _earlier(told_in, settings)
        regions = _as_before(found, regions, before, page)
        icc = page.icc if page.channels == 3 else (srgb_profile() if page.icc else None)
        kept = {row["number"]: row["color"] for row in before}
        table, words, found_bare = _color_table(page, found, regions, settings, icc, kept, progress)
        spec = MasterSpec(page.height, page.width, 3, page.dtype, False, page.dpi, icc, settings.codec)
        demand_room(spec, target, settings.memory)
        write_master(
            target,
            spec,
            counted(
                _blocks(page, found, line_at, table, spec, workers),
                "filling",
                block_count(spec.height, spec.width, BLOCK),
                progress,
            ),
            originals=originals,
        )
        record.inputs = {path.name: sha256_of(path) for path in originals}
        record.outputs = {target.name: sha256_of(target)}
        record.numbers = _numbers(page, found, regions, words, settings)
        record.warnings = [*notes, *windows.notes, *_mostly_line(found), *found_bare]
        if settings.pictures:
            record.outputs |= _show(page, found, table, regions_picture(told_in), originals)
    told = told_of(record, "flats", told_in, settings)
    write_json(told_in, told, originals=originals)
    return told


def regions_picture(notes: Path) -> Path:
    """Where the picture of the regions goes, by their record."""
    return notes.with_name(f"{notes.stem}_regions.png")


def lines_of(page: Page, level: float) -> Callable[[Box], Mask]:
    """A reader of where lines are: alpha of a line layer, or the darkness of a page without alpha, from `level` on."""

    def line_at(box: Box) -> Mask:
        if page.cover is not None:
            return np.asarray(page.cover(box) >= level * page.top)
        return np.asarray(mean_of(page.read(box)) <= (1 - level) * page.top)

    return line_at


def region_map(
    page: Page, line_at: Callable[[Box], Mask], settings: FlatsSettings, *, progress: Progress = silent
) -> tuple[RegionMap, list[Region]]:
    """The regions of a page on a small map, settled and numbered; gaps, slivers in mm become cells."""
    factor = reduction_to(page.dpi, MAP_DPI)
    while page.height * page.width / factor**2 * CELL_BYTES > settings.memory * 0.8:
        factor += 1
    free = _small_map(page, line_at, factor, settings.workers, progress)
    cell = factor * MM_PER_INCH / page.dpi
    smallest = max(1, round(settings.sliver / cell**2))
    labels = closed_areas(
        free,
        cell,
        smallest,
        gap=settings.gap,
        every_line=settings.every_line,
        memory=settings.memory,
        workers=settings.workers,
        progress=progress,
    )
    light = None if settings.every_line else cell
    regions = settled(labels, free, smallest, settings.ground, cell_mm=light, progress=progress)
    return RegionMap(labels, free, factor, page.height, page.width), regions


def _earlier(told_in: Path, settings: FlatsSettings) -> list[dict[str, Any]]:
    """The regions an earlier record tells of, if it was made with the same colors in mind."""
    with suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
        told = json.loads(told_in.read_text(encoding="utf-8"))
        said = told["settings"]
        alike = said["colors"] == settings.colors and tuple(said["palette"]) == settings.palette
        if told["command"] == "flats" and alike and said["paper"] == settings.paper:
            rows = [{key: row[key] for key in LASTING} for row in told["numbers"]["regions"]]
            return rows if all(isinstance(row["number"], int) and len(row["box_mm"]) == 4 for row in rows) else []
    return []


def _mostly_line(found: RegionMap) -> list[str]:
    """What to tell of a page that leaves little to fill."""
    share = 1 - float(found.free.mean())
    if share <= MOSTLY_LINE:
        return []
    return [
        f"{share:.0%} of the page counts as line, as washes and shades do, so that little is left to fill: make its "
        "line layer first, as of a page in ink (`lines`, medium ink), or count darker tones only, by a higher --line"
    ]


def _as_before(found: RegionMap, regions: list[Region], before: Sequence[dict[str, Any]], page: Page) -> list[Region]:
    """Regions that were there before keep their numbers."""
    if not before:
        return regions
    cell = found.factor * MM_PER_INCH / page.dpi
    numbers = numbers_before(regions, before, cell)
    return renamed(found.labels, regions, numbers, 1 + max(row["number"] for row in before))


def _small_map(page: Page, line_at: Callable[[Box], Mask], factor: int, workers: int, progress: Progress) -> Bytes:
    """(h, w) 1 where a cell shows no line."""
    rows = max(1, 2**22 // (page.width * factor)) * factor
    strips = [Box(top, 0, min(rows, page.height - top), page.width) for top in range(0, page.height, rows)]
    parts = in_order(lambda box: cells_free(line_at(box), factor), strips, workers)
    return np.concatenate(list(counted(parts, "looking at lines", len(strips), progress)))


def _color_table(
    page: Page,
    found: RegionMap,
    regions: list[Region],
    settings: FlatsSettings,
    icc: bytes | None,
    kept: Mapping[int, str],
    progress: Progress,
) -> tuple[Pixels, list[str], list[str]]:
    """(n + 1, 3) codes of each region, its color in words, notes. kept : number -> its color before."""
    paper = from_srgb(hex_color(settings.paper), icc, page.dtype)
    last = max((r.number for r in regions), default=0)
    table = np.zeros((last + 1, 3), page.dtype)
    means = _reference_means(page, found, last, settings, progress) if settings.colors == "mean" else None
    numbers = [r.number for r in regions if not r.ground]
    bare = means is not None and bool(numbers) and colorless(means[numbers] / page.top)
    if means is not None and not bare:
        for region in regions:
            table[region.number] = paper if region.ground else means[region.number]
    else:
        chosen = colored(found.labels, found.free, regions, settings.palette, settings.paper, kept)
        for region in regions:
            table[region.number] = from_srgb(hex_color(chosen[region.number]), icc, page.dtype)
    eight = np.rint(table.astype(float) * 255 / page.top).astype(int)
    told = ["the page has no colors of its own: its areas got those of the palette, to select by"] if bare else []
    return table, ["#{:02x}{:02x}{:02x}".format(*row) for row in eight.tolist()], told


def _reference_means(page: Page, found: RegionMap, count: int, settings: FlatsSettings, progress: Progress) -> Pixels:
    """(n + 1, 3) codes: mean color of the reference in each region, taken in stored codes as layers are blended."""
    if settings.reference is None:
        raise BadSettings(
            "mean colors of no picture", expected="the picture to take them from", attempt="--from PAGE.tif"
        )
    with open_windows(settings.reference, memory=settings.memory) as windows:
        other = page_of(windows, dpi=page.dpi)
        if (other.height, other.width) != (page.height, page.width):
            raise BadSettings(
                f"{settings.reference.name} of {other.width} x {other.height} px",
                expected=f"the size of the lines, {page.width} x {page.height} px",
                attempt="the page the lines were lifted from",
            )
        progress("taking colors", 0, 2)
        small = windows.view(found.factor).astype(np.float32)
        progress("taking colors", 1, 2)
        means = region_means(found.labels, found.free, small, count)
        progress("taking colors", 2, 2)
        rows = np.rint(means * page.top / other.top).astype(page.dtype).reshape(1, count + 1, -1)
        return np.asarray(to_srgb(rows, other.icc)[0] if rows.shape[2] == 1 else rows[0])


def _blocks(
    page: Page, found: RegionMap, line_at: Callable[[Box], Mask], table: Pixels, spec: MasterSpec, workers: int
) -> Any:
    reach = round(HALF_LINE_MM / MM_PER_INCH * page.dpi)

    def work(box: Box) -> EncodedBlock:
        return encode_block(np.take(table, regions_at(found, line_at, box, reach), axis=0), spec)

    return in_order(work, blocks(page.height, page.width, BLOCK), workers)


def _numbers(
    page: Page, found: RegionMap, regions: list[Region], words: list[str], settings: FlatsSettings
) -> dict[str, Any]:
    cell = found.factor * MM_PER_INCH / page.dpi
    rows = [
        {
            "number": r.number, "color": words[r.number], "area_mm2": round(r.area * cell**2, 3), "ground": r.ground,
            "edge": r.edge, "x_mm": round((r.col + 0.5) * cell, 2), "y_mm": round((r.row + 0.5) * cell, 2),
            "box_mm": [round(v * cell, 2) for v in (r.box[1], r.box[0], r.box[3], r.box[2])],
        }
        for r in regions
    ]  # fmt: skip
    return {
        "height": page.height, "width": page.width, "dpi": page.dpi, "map_dpi": page.dpi / found.factor,
        "gap_bridged_mm": max(settings.gap, 2 * neck(settings.gap, cell) * cell),
        "regions": rows, "colors": sorted({words[r.number] for r in regions}),
    }  # fmt: skip


def _show(page: Page, found: RegionMap, table: Pixels, path: Path, originals: list[Path]) -> dict[str, str]:
    """The lines, and the lines over the flats, small."""
    step = max(1, -(-max(found.free.shape) // 900))
    labels, free = found.labels[::step, ::step], found.free[::step, ::step]
    white = np.full((*labels.shape, 3), page.top, page.dtype)
    pair = [np.where(free[..., None] > 0, below, 0).astype(page.dtype) for below in (white, table[labels])]
    write_pair(path, pair, originals=originals)
    return {path.name: sha256_of(path)}


def _check(settings: FlatsSettings, target: Path, originals: list[Path]) -> list[str]:
    if settings.colors not in COLORS:
        raise BadSettings(f"colors {settings.colors!r}", expected=", ".join(COLORS), attempt="--colors palette")
    if target.suffix.lower() not in (".tif", ".tiff"):
        raise BadSettings(f"the name {target.name}", expected="a name ending in .tif", attempt=f"{target.stem}.tif")
    if settings.gap <= 0 or settings.sliver < 0 or not 0 < settings.line < 1:
        raise BadSettings(
            f"gap {settings.gap} mm, sliver {settings.sliver} mm2, line {settings.line}",
            expected="a gap over 0, slivers of 0 or more, a line from 0 to 1", attempt="--gap 0.5 --sliver 0.3",
        )  # fmt: skip
    for color in (*settings.palette, settings.paper):
        hex_color(color)
    told_in = notes_of(target, settings.records)
    shown = [regions_picture(told_in)] if settings.pictures else []
    return claim_outputs([target, told_in, *shown], originals, settings)
