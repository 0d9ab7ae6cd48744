"""I tell how a page is made clean: border, repairs, paper, drop, dust, tone, alone or in this order, rendered once.

In: a master and settings. Out: a clean master, a mask of the dust, before/after pictures, and a record.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any

from stitchbed.core.errors import BadSettings, CanvasTooLarge
from stitchbed.core.files import sha256_of, write_json
from stitchbed.core.locks import locked
from stitchbed.core.memory import workers_within
from stitchbed.core.progress import Cancel, Progress, counted, never, silent, watched
from stitchbed.core.quantities import MM_PER_INCH, listed
from stitchbed.core.record import Record, as_it_is, notes_of, plain, recording
from stitchbed.core.settings import CODEC, DPI, PICTURES, Setting, check
from stitchbed.imaging.box import block_count
from stitchbed.imaging.reduce import reduction_to
from stitchbed.output.room import demand_room
from stitchbed.output.tiff_master import BLOCK, write_master
from stitchbed.page.clean.context import CleanContext, desk_of
from stitchbed.page.clean.dusting import dust
from stitchbed.page.clean.pictures import Album, album_folder, album_of
from stitchbed.page.clean.plan import CleanPlan, clean_blocks, spec_of
from stitchbed.page.clean.repair_places import RepairSettings
from stitchbed.page.clean.steps import drop, framed_desk, paper, repair, tone
from stitchbed.page.dust.classify import DustSettings
from stitchbed.page.dust.sweep import LOOK_DPI
from stitchbed.page.medium import MEDIUM, doubt_words
from stitchbed.page.page import Page, page_of
from stitchbed.page.sheet.border import BorderSettings
from stitchbed.page.sheet.tone import ToneSettings
from stitchbed.page.sheet.white import PaperSettings
from stitchbed.page.underneath.found import DropSettings
from stitchbed.pipelines.contract.claims import claim_outputs
from stitchbed.pipelines.contract.inputs import Inputs, one_path
from stitchbed.pipelines.contract.records import StepRecord, told_of
from stitchbed.reading.formats import open_windows

STEPS = ("border", "repair", "paper", "drop", "dust", "tone")
LEAST_MM, LEAST_PX = 2.0, 8  # of a side; less holds neither an edge nor paper that could be judged
DUST_SHARE = 0.2  # of the memory, for a mask of the whole page
WORKER_BYTES = 300 * 2**20  # one thread's share at 1200 dpi in color, measured

Step = Callable[[CleanContext, CleanPlan, Any, Record], CleanPlan]
DOERS: dict[str, Step] = {"repair": repair, "paper": paper, "drop": drop, "dust": dust, "tone": tone}
ASKED = ("repair", "drop")  # done only where there is something to do


@dataclass(frozen=True)
class CleanSettings:
    """steps : which of STEPS; their order is fixed. medium : "found", or one of `page.medium.MEDIA`. One settings value
    per step. codec : of the file written.

    dpi : where the file is wrong or silent. pictures : write before/after pictures and the mask of the dust.
    memory : bytes to work in. workers : threads. replace : keep aside what lies there and was not made here.
    records : folder for record and pictures, None: beside the output. full_paths : in the record.
    """

    steps: Annotated[
        tuple[str, ...],
        Setting("Which steps, with commas; their order is fixed.", unit="STEPS", choices=STEPS, read=listed),
    ] = STEPS
    medium: Annotated[str, MEDIUM] = "found"
    border: BorderSettings = field(default_factory=BorderSettings)
    repair: RepairSettings = field(default_factory=RepairSettings)
    paper: PaperSettings = field(default_factory=PaperSettings)
    drop: DropSettings = field(default_factory=DropSettings)
    dust: DustSettings = field(default_factory=DustSettings)
    tone: ToneSettings = field(default_factory=ToneSettings)
    codec: Annotated[str, CODEC] = "deflate"
    dpi: Annotated[float | None, DPI] = None
    pictures: Annotated[bool, PICTURES] = True
    memory: int = 2**30
    workers: int = 2
    replace: bool = False
    records: Path | None = None
    full_paths: bool = False


def clean(
    inputs: Inputs,
    output: str | Path,
    settings: CleanSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> StepRecord:
    """Clean one page into `output` (TIFF); returns the record, also written beside it as JSON.

    Raises
    ------
    BadSettings : unknown steps or words, a page too small. UnreadableTile, CannotWrite, WouldTouchOriginal : see scans
    and ground.
    """
    settings = settings or CleanSettings()
    check(settings)
    source, target, progress = one_path(inputs, "clean", settings.dpi), Path(output), watched(progress, cancel)
    told_in = notes_of(target, settings.records)
    notes = _check(settings, source, target)
    workers = workers_within(settings.workers, settings.memory, WORKER_BYTES)
    with (
        locked(target),
        open_windows(source, memory=settings.memory, often=True) as windows,
        recording("clean", replace(settings, memory=0, workers=0, records=None)) as record,
    ):
        page = page_of(windows, dpi=settings.dpi)
        _refuse_small(page, source)
        _refuse_large(page, source, settings)
        with album_of(told_in, source, wanted=settings.pictures) as album:
            plan, steps = planned(page, source, settings, album, workers=workers, progress=progress)
            spec = spec_of(page, plan, settings.codec)
            demand_room(spec, target, settings.memory)
            write_master(
                target,
                spec,
                counted(
                    clean_blocks(page, plan, spec, workers=workers),
                    "cleaning",
                    block_count(spec.height, spec.width, BLOCK),
                    progress,
                ),
                originals=[source],
            )
        read = [source, *(path for path in (settings.dust.second,) if path)]
        record.inputs = {path.name: sha256_of(path) for path in read}
        record.outputs = {target.name: sha256_of(target), **album.written}
        record.numbers = {
            "height": spec.height,
            "width": spec.width,
            "dpi": spec.dpi,
            "medium": asdict(plan.medium),
            "steps": [_row(s) for s in steps],
        }
        said = (warning for step in steps for warning in step.warnings)
        record.warnings = [*notes, *windows.notes, *doubt_words(plan.medium), *said]
    told = told_of(record, "clean", told_in, settings)
    write_json(told_in, told, originals=[source])
    return told


def planned(
    page: Page, source: Path, settings: CleanSettings, album: Album, *, workers: int, progress: Progress = silent
) -> tuple[CleanPlan, list[Record]]:
    """The plan of a clean page and the record of each step that was asked for."""
    wanted = settings.border if "border" in settings.steps else BorderSettings(crop=False, straighten=False)
    with recording("border", wanted) as border:
        desk = desk_of(page, source, album, workers, progress)
        frame = framed_desk(desk, wanted, border)
    wish = settings.drop if "drop" in settings.steps else DropSettings()
    desk, plan = desk.on(frame, settings.paper, settings.medium, wish)
    records = [border] if "border" in settings.steps else []
    for name, step in DOERS.items():
        if name in settings.steps and (name not in ASKED or getattr(settings, name).any):
            with recording(name, getattr(settings, name)) as record:
                plan = step(desk, plan, getattr(settings, name), record)
            records.append(record)
    return plan, records


def _row(step: Record) -> dict[str, Any]:
    told = plain(step, told=as_it_is)
    return {key: told[key] for key in ("step", "seconds", "settings", "numbers", "warnings")}


def _check(settings: CleanSettings, source: Path, target: Path) -> list[str]:
    """Everything that can be wrong before a pixel is read; words on what will be kept aside."""
    unknown = [step for step in settings.steps if step not in STEPS]
    if unknown or not settings.steps:
        raise BadSettings(f"steps {list(settings.steps)}", expected=", ".join(STEPS), attempt="--steps dust,tone")
    if settings.border.turn not in (0, 90, 180, 270):
        raise BadSettings(f"a turn of {settings.border.turn}", expected="0, 90, 180 or 270", attempt="--turn 90")
    if target.suffix.lower() not in (".tif", ".tiff"):
        raise BadSettings(f"the name {target.name}", expected="a name ending in .tif", attempt=f"{target.stem}.tif")
    told_in = notes_of(target, settings.records)
    album = [album_folder(told_in)] if settings.pictures else []
    return claim_outputs([target, told_in, *album], [source], settings)


def _refuse_large(page: Page, source: Path, settings: CleanSettings) -> None:
    """A mask of dust holds a bit for each pixel of the page, and two of them are at hand for a moment."""
    cells = page.height * page.width // reduction_to(page.dpi, LOOK_DPI) ** 2
    most = int(DUST_SHARE * settings.memory) * 8
    if "dust" in settings.steps and cells > most:
        raise CanvasTooLarge(
            f"{source.name}, {page.height * page.width / 1e6:,.0f} megapixels at {page.dpi:g} dpi, to search for dust",
            expected=f"at most {most / 1e6:,.0f} megapixels at {LOOK_DPI:g} dpi within the memory to work in",
            attempt=f"--memory {cells / 8 / DUST_SHARE / 2**20:.0f}MiB, --steps border,paper,tone, or another --dpi",
        )


def _refuse_small(page: Page, source: Path) -> None:
    shortest = min(page.height, page.width)
    shortest_mm = shortest / page.dpi * MM_PER_INCH
    if shortest < LEAST_PX or shortest_mm < LEAST_MM:
        raise BadSettings(
            f"{source.name} of {page.width} x {page.height} px at {page.dpi:g} dpi, {shortest_mm:.2g} mm",
            expected=f"a page of at least {LEAST_MM:g} mm and {LEAST_PX} px a side",
            attempt="--dpi, where the file's dpi is wrong",
        )
