"""I tell how lines are lifted off a clean page into a layer of their own.

In: a clean master. Out: a TIFF of ink color and straight alpha, a picture of it over a color, a record.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np

from stitchbed.color.convert import to_srgb
from stitchbed.color.profiles import srgb_profile
from stitchbed.core.arrays import Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.core.files import sha256_of, write_json
from stitchbed.core.locks import locked
from stitchbed.core.memory import workers_within
from stitchbed.core.progress import Cancel, Progress, counted, never, silent, watched
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import notes_of, recording
from stitchbed.core.settings import CODEC, DPI, PICTURES, Setting, check
from stitchbed.imaging.box import Box, block_count, blocks, clipped, grown, shifted
from stitchbed.imaging.gray import mean_of, most_of
from stitchbed.imaging.parallel import in_order
from stitchbed.output.room import demand_room
from stitchbed.output.tiff_master import BLOCK, EncodedBlock, MasterSpec, encode_block, write_master
from stitchbed.page.found_medium import medium_told, told_by
from stitchbed.page.line_art.ink_layer import (
    SOLID_HALO,
    InkSettings,
    Lifting,
    lifted,
    lifting_of,
    over,
    solid_ink,
    whitened,
)
from stitchbed.page.medium import MEDIUM, Medium, doubt_words
from stitchbed.page.page import Page, linear, page_of
from stitchbed.pipelines.contract.claims import claim_outputs
from stitchbed.pipelines.contract.inputs import Inputs, one_path
from stitchbed.pipelines.contract.records import StepRecord, told_of
from stitchbed.reading.formats import open_windows
from stitchbed.report.before_after import write_pair

SAMPLES, SAMPLE_PX = 48, 512
LOOK_MM = 12.0
MOSTLY_INK = 0.9  # share of a page that no drawing covers: paper counts as ink, or the page is a painting
WORKER_BYTES = 128 * 2**20  # one thread's share of a page in color, measured
UNDER = (18, 92, 165)  # sRGB of the color the lines are shown over: saturated, so that a fringe would show


@dataclass(frozen=True)
class LinesSettings:
    """ink : "own", "black" or "#rrggbb". medium : "found", or one of `page.medium.MEDIA`. codec : of the file.

    dpi : where the file is wrong or silent. pictures : show the lines over a color. memory : bytes to work in.
    workers : threads. replace : keep aside what lies there and was not made here.
    records : folder for record and pictures, None: beside the output. full_paths : in the record.
    """

    ink: Annotated[
        str,
        Setting(
            "own, black, or a color like #1f3a93. Of own and black the edges of strokes come back over white within "
            "half a code; black makes solid strokes pure black, however light the page's own ink is."
        ),
    ] = "own"
    medium: Annotated[str, MEDIUM] = "found"
    codec: Annotated[str, CODEC] = "deflate"
    dpi: Annotated[float | None, DPI] = None
    pictures: Annotated[bool, PICTURES] = True
    memory: int = 2**30
    workers: int = 2
    replace: bool = False
    records: Path | None = None
    full_paths: bool = False


@dataclass(frozen=True)
class LinesPlan:
    """How a page is lifted. samples : codes of windows spread over it. spec : of the layer. colored : a gray page that
    is lifted in a color."""

    page: Page
    samples: list[Pixels]
    medium: Medium
    lifting: Lifting
    spec: MasterSpec
    colored: bool


def lift_lines(
    inputs: Inputs,
    output: str | Path,
    settings: LinesSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> StepRecord:
    """Lift the lines of one page into `output` (TIFF); returns the record, also written beside it.

    Raises
    ------
    BadSettings : unknown words. UnreadableTile, CannotWrite, WouldTouchOriginal : see scans and ground.
    """
    settings = settings or LinesSettings()
    check(settings)
    workers = workers_within(settings.workers, settings.memory, WORKER_BYTES)
    source, target, progress = one_path(inputs, "lines", settings.dpi), Path(output), watched(progress, cancel)
    if target.suffix.lower() not in (".tif", ".tiff"):
        raise BadSettings(f"the name {target.name}", expected="a name ending in .tif", attempt=f"{target.stem}.tif")
    told_in = notes_of(target, settings.records)
    shown = [over_color(told_in)] if settings.pictures else []
    notes = claim_outputs([target, told_in, *shown], [source], settings)
    with (
        locked(target),
        open_windows(source, memory=settings.memory) as windows,
        recording("lines", replace(settings, memory=0, workers=0, records=None)) as record,
    ):
        digest = sha256_of(source)
        cleaned_as = medium_told(source, digest)
        plan = _planned(page_of(windows, dpi=settings.dpi), settings, cleaned_as, workers, progress)
        demand_room(plan.spec, target, settings.memory)
        count = block_count(plan.spec.height, plan.spec.width, BLOCK)
        layer = counted(_blocks(plan, workers), "lifting lines", count, progress)
        write_master(target, plan.spec, layer, originals=[source])
        record.inputs, record.outputs = {source.name: digest}, {target.name: sha256_of(target)}
        backs = in_order(lambda sample: _back(sample, plan.lifting), plan.samples, workers)
        told = list(counted(backs, "trying the lines over white", len(plan.samples), progress))
        record.numbers = _numbers(told, plan)
        doubts = _doubts(plan.lifting, record.numbers["inked_share"])
        record.warnings = [*notes, *windows.notes, *doubt_words(plan.medium), *doubts]
        if settings.pictures:
            record.outputs |= _show(plan, over_color(told_in), source)
    said = told_of(record, "lines", told_in, settings)
    write_json(told_in, said, originals=[source])
    return said


def _planned(page: Page, settings: LinesSettings, cleaned_as: str, workers: int, progress: Progress) -> LinesPlan:
    """Look at windows spread over a page, and settle how all of it is lifted. cleaned_as : its medium then, or ""."""
    colored = settings.ink not in ("own", "black") and page.channels == 1
    icc = srgb_profile() if colored else page.icc
    spread = spread_boxes(page)
    read = in_order(lambda box: _codes(page, box, colored), spread, workers)
    samples = list(counted(read, "looking at the ink", len(spread), progress))
    unsaid = settings.medium == "found"
    taken_for = cleaned_as if unsaid and cleaned_as else settings.medium
    told = told_by(lambda box: linear(page, box), spread, page.dpi, taken_for, progress=progress)
    medium = replace(told, asked=not unsaid)
    wish, own = InkSettings(settings.ink, medium.name), None if page.channels == 1 else icc
    lifting = lifting_of(samples, wish, own, progress=progress)
    channels = 3 if colored else page.channels
    if channels == 1 and lifting.color is not None:
        lifting = replace(lifting, color=lifting.color[:1])
    spec = MasterSpec(page.height, page.width, channels, page.dtype, True, page.dpi, icc, settings.codec)
    return LinesPlan(page, samples, medium, lifting, spec, colored)


def _doubts(lifting: Lifting, inked: float) -> list[str]:
    """What to tell of a page that was lifted though it is hardly clean. inked : share of it that counts as ink."""
    told = []
    if not lifting.pure:
        told.append(
            "the paper is not pure white: its grain was cut off here; on a page as scanned, clean does it better"
        )
    if inked > MOSTLY_INK:
        told.append(
            f"{inked:.1%} of the page counts as ink, also what is only a little darker than white: where that is bare "
            "paper or the scanner's lid, clean the page first"
        )
    return told


def over_color(notes: Path) -> Path:
    """Where the picture of the lines over a color goes, by their record."""
    return notes.with_name(f"{notes.stem}_over_color.png")


def spread_boxes(page: Page) -> list[Box]:
    """Windows spread evenly over a page, at most SAMPLES."""
    grid = list(blocks(page.height, page.width, SAMPLE_PX))
    return grid[:: max(1, -(-len(grid) // SAMPLES))]


def _codes(page: Page, box: Box, colored: bool) -> Pixels:
    codes = page.read(box)
    if page.cover is not None:
        # nothing lies where nothing was scanned: paper
        codes = np.where(page.cover(box)[..., None] == 0, page.top, codes).astype(codes.dtype)
    return to_srgb(codes, page.icc) if colored else codes


def _blocks(plan: LinesPlan, workers: int) -> Iterator[EncodedBlock]:
    def work(box: Box) -> EncodedBlock:
        around = clipped(grown(box, SOLID_HALO), plan.page.box)
        layer = lifted(_codes(plan.page, around, plan.colored), plan.lifting)
        return encode_block(layer[shifted(box, -around.row, -around.col).slices], plan.spec)

    return in_order(work, blocks(plan.page.height, plan.page.width, BLOCK), workers)


def _back(sample: Pixels, lifting: Lifting) -> tuple[float, float]:
    """Share of a sample that holds ink, and how far it comes back over white at worst, in codes of 8 bits.

    Left out of that: the inside of solid strokes, whose noise is evened.
    """
    top = np.iinfo(sample.dtype).max
    layer = lifted(sample, lifting)
    inked = float((layer[..., -1] > 0).mean())
    if lifting.color is not None and lifting.color.any():
        return inked, 0.0
    white = np.full((*sample.shape[:2], layer.shape[2] - 1), top, sample.dtype)
    back = over(layer, white).astype(np.float32)
    wanted = whitened(sample, lifting).astype(np.float32)
    if lifting.color is not None:
        wanted = np.repeat(mean_of(wanted)[..., None], white.shape[2], axis=2)
    off = most_of(np.abs(back - wanted))[~solid_ink(sample, lifting)]
    return inked, float(off.max()) * 255 / top if off.size else 0.0


def _numbers(backs: list[tuple[float, float]], plan: LinesPlan) -> dict[str, Any]:
    """What was found, and how exactly the page comes back over white (see `_back`)."""
    (inked, off), spec, lifting = zip(*backs, strict=True), plan.spec, plan.lifting
    return {
        "height": spec.height, "width": spec.width, "dpi": spec.dpi, "channels": spec.channels,
        "ink_codes_8bit": np.rint(lifting.darkest * 255),
        "paper_begins_8bit": np.round(lifting.white * 255, 2),
        "inked_share": float(np.mean(inked)),
        "worst_over_white_8bit": max(0.0, *off) if lifting.color is None or not lifting.color.any() else None,
        "medium": asdict(plan.medium),
    }  # fmt: skip


def _show(plan: LinesPlan, path: Path, source: Path) -> dict[str, str]:
    """The place with most ink: the page, and its lines over a saturated color."""
    page = plan.page
    box = min(spread_boxes(page), key=lambda b: (float(page.read(b).mean()), b))
    half = round(LOOK_MM / 2 / MM_PER_INCH * page.dpi)
    middle = Box(box.row + box.height // 2, box.col + box.width // 2, 1, 1)
    place = clipped(grown(middle, half), page.box)
    layer = lifted(_codes(page, place, plan.colored), plan.lifting)
    rgb = (
        np.concatenate([np.repeat(layer[..., :1], 3, axis=2), layer[..., -1:]], axis=2)
        if layer.shape[2] == 2
        else layer
    )
    below = np.broadcast_to(np.array(UNDER) * (page.top // 255), (*rgb.shape[:2], 3)).astype(rgb.dtype)
    write_pair(path, [page.read(place), over(rgb, below)], originals=[source])
    return {path.name: sha256_of(path)}
