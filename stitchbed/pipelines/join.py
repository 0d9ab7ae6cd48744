"""I tell the main job top to bottom: pieces in, survey, render, one master and its record out.

In: paths and settings. Out: the master, `NAME.json` beside it, and the same record as a dict.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import numpy as np

from stitchbed.core.errors import BadSettings, CannotWrite, Disconnected, StitchbedError, UnreadableTile
from stitchbed.core.files import cannot_write, sha256_of, write_json
from stitchbed.core.locks import locked
from stitchbed.core.memory import beforehand, one_heap, workers_within
from stitchbed.core.progress import Cancel, Progress, never, silent, watched
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import VERSION, Record, beside, fingerprint, notes_of, recording
from stitchbed.core.settings import CODEC, DPI, Setting, check
from stitchbed.imaging.transfer import transfer_of
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.tile_layer import Source
from stitchbed.mosaic.hints.hints import Hints, without_shown
from stitchbed.mosaic.hints.preparing import demand_even_dpi, flipped_names, taking_part, with_said_dpi
from stitchbed.mosaic.hints.recorded import recorded_places
from stitchbed.mosaic.result.kept_looks import looks_are_kept
from stitchbed.mosaic.result.laid_out import layout_paths, layout_record
from stitchbed.mosaic.result.pictures import picture_paths, write_pictures
from stitchbed.mosaic.result.plan_file import rows_mark
from stitchbed.mosaic.result.planned import looked_at, planned
from stitchbed.mosaic.result.record import tile_rows, versions
from stitchbed.mosaic.result.render_rows import render_rows, spec_of
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings, declared_dpi
from stitchbed.mosaic.survey.preview import demand_looks
from stitchbed.mosaic.survey.survey import laid_out
from stitchbed.output.png_jpeg import FLAT_KINDS, write_flat
from stitchbed.output.room import demand_room
from stitchbed.output.tiff_master import assemble
from stitchbed.pipelines.contract.claims import claim_outputs
from stitchbed.pipelines.contract.inputs import Inputs, paths_of
from stitchbed.pipelines.contract.records import JoinRecord
from stitchbed.pipelines.scanning.first_calls import first_calls
from stitchbed.pipelines.scanning.moving import with_error
from stitchbed.pipelines.scanning.overlap_faults import glass_faults, overlap_faults
from stitchbed.pipelines.scanning.own_faults import light_faults, own_faults, seen_alone, unlike_most
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.intake import gray_among_color, same_profile, take_in, unchanged
from stitchbed.reading.shelf import Shelf

OUTSIDE = ("alpha", "paper")
SOON = "numba", "networkx", "scipy.sparse.linalg", "scipy.spatial", "scipy.ndimage", "skimage.segmentation"
WORKER_BYTES = 128 * 2**20  # one thread's share: bands of a view, a block and its layers in 16 bits, measured


@dataclass(frozen=True)
class JoinSettings:
    """survey: settings of every stage. outside: places no piece sees become transparent ("alpha") or the paper's
    color ("paper"); a canvas without such places has no alpha channel. codec: deflate, zstd or none. dpi: overrides
    the files'.
    assume_profile: None, "first" or "none" where profiles differ. allow_unreadable: go on without unreadable files.
    memory: bytes to work in. workers: threads. keep_job: leave the job folder behind. replace: keep aside what lies
    there and was not made here. hints: what a person says of the pieces; with any, and after a layout, the job folder
    stays, so that the next change takes up what it can. full_paths: in the record.
    """

    survey: SurveySettings = field(default_factory=SurveySettings)
    outside: Annotated[str, Setting("Places no piece sees: transparent, or the paper's color.", choices=OUTSIDE)] = (
        "alpha"
    )
    codec: Annotated[str, CODEC] = "deflate"
    dpi: Annotated[float | None, DPI] = None
    assume_profile: Annotated[
        str | None, Setting("Where profiles differ: take the first, or none.", choices=("first", "none"))
    ] = None
    allow_unreadable: Annotated[bool, Setting("Go on without files that cannot be read.")] = False
    memory: int = 2**30
    workers: int = 2
    keep_job: Annotated[bool, Setting("Leave the job folder behind.", shell=False)] = False
    replace: bool = False
    records: Path | None = None
    full_paths: bool = False
    hints: Hints = field(default_factory=Hints)
    from_record: Annotated[
        Path | None, Setting("Lay the pieces out as this record of an earlier join or layout does.", unit="RECORD")
    ] = None
    layout_only: Annotated[bool, Setting("Only lay the pieces out: a record and a small picture.", job=False)] = False


def join(
    inputs: Inputs,
    output: str | Path,
    settings: JoinSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> JoinRecord:
    """Join pieces into one master.

    inputs : files and folders. output : .tif, .tiff, .png, .jpg or .jpeg. Returns the record that is also written
    beside the output as JSON.

    Raises
    ------
    StitchbedError : any of its children; nothing is left under the output's name then.
    """
    one_heap()  # for callers from Python and the processes of a batch, which do not come by way of the command
    settings = settings or JoinSettings()
    check(settings)
    settings = replace(settings, workers=workers_within(settings.workers, settings.memory, WORKER_BYTES))
    output, progress = Path(output), watched(progress, cancel)
    tiles, warnings = _taken(paths_of(inputs), output, settings)
    icc = same_profile(tiles, settings.assume_profile)
    folder = job_folder(output)
    with locked(output):
        try:
            (folder / "scratch").mkdir(parents=True, exist_ok=True)
            record = _joined(tiles, icc, output, folder, settings, progress)
        except OSError as error:
            raise cannot_write(output, error) from error
        except StitchbedError as error:
            _sweep(folder, error)
            raise
        record["warnings"] = [*warnings, *record["warnings"]]
        notes = notes_of(output, settings.records)
        told_in = layout_paths(notes)[0] if settings.layout_only else notes
        told: JoinRecord = beside(record, told_in.parent, full=settings.full_paths)
        write_json(told_in, told, originals=[t.path for t in tiles])
        if not (settings.keep_job or looks_are_kept(folder)):
            shutil.rmtree(folder, ignore_errors=True)
    return told


def _taken(paths: Sequence[Path], output: Path, settings: JoinSettings) -> tuple[list[Tile], list[str]]:
    """Tiles, after every check that needs no pixels."""
    if settings.outside not in OUTSIDE:
        raise BadSettings(f"outside = {settings.outside!r}", expected="alpha or paper", attempt="--outside alpha")
    suffix = output.suffix.lower()
    if suffix not in (".tif", ".tiff", *FLAT_KINDS):
        raise BadSettings(
            f"the output name {output.name}",
            expected="a name that ends in .tif, .png or .jpg",
            attempt=f"-o {output.stem or 'canvas'}.tif",
        )
    if not output.parent.is_dir():
        raise CannotWrite(
            f"the folder {output.parent} does not exist",
            expected="an existing folder",
            attempt="making it, or another -o",
        )
    if output.is_dir():
        raise CannotWrite(f"{output} is a folder", expected="the name of a file", attempt=f"-o {output / 'canvas.tif'}")
    notes = notes_of(output, settings.records)
    writes = [output, notes, *picture_paths(notes)]
    writes = list(layout_paths(notes)) if settings.layout_only else writes
    kept_aside = claim_outputs(writes, paths, settings, scratch=[job_folder(output)])
    tiles, warnings = take_in(
        paths, memory=settings.memory, allow_unreadable=settings.allow_unreadable, dpi=settings.dpi
    )
    return tiles, [*kept_aside, *warnings, *gray_among_color(tiles)]


def job_folder(output: Path) -> Path:
    """Where a join keeps what a stopped run goes on from."""
    return output.with_name(f".{output.name}.job")


def _joined(
    tiles: Sequence[Tile], icc: bytes | None, output: Path, folder: Path, settings: JoinSettings, progress: Progress
) -> dict[str, Any]:
    channels = max(tile.raster.shape[2] for tile in tiles)
    deep = any(tile.raster.dtype == "uint16" for tile in tiles)
    kind = Kind(channels, "uint16" if deep else "uint8", icc, transfer_of(icc))
    beforehand(SOON, partial(first_calls, kind.dtype, channels, kind.transfer))
    by_hand = settings.layout_only or settings.hints != Hints() or looks_are_kept(folder)
    room, flipped = _shelf_room(tiles, settings.memory), flipped_names(tiles, settings.hints)
    with Shelf(tiles, room, folder / "scratch", memory=settings.memory, flipped=flipped) as shelf:
        context, doubts = _context(tiles, kind, shelf, settings, progress)
        if settings.layout_only:
            alone = own_faults(context, seen_alone(context), {})
            return _laid(context, output, (folder, settings.records), [*doubts, *alone])
        mark = _mark(context, settings)
        with ThreadPoolExecutor(1) as aside:  # while the survey goes on, which often leaves a core with nothing to do
            seen = aside.submit(seen_alone, context)
            try:
                plan, about = planned(context, (folder, mark), settings.outside, by_hand=by_hand)
            except Disconnected as error:
                error.besides([*own_faults(context, seen.result(), {}), *glass_faults(context)])
                raise
        placed = {tile.name: place.sheet_from_tile for tile, place in zip(plan.tiles, plan.places, strict=True)}
        about["warnings"] = [*doubts, *own_faults(context, seen.result(), placed), *about["warnings"]]
        unlike = unlike_most(context.tiles, seen.result())
        about["warnings"] += light_faults(plan.tiles, plan.levels)
        shown = overlap_faults(context, plan.tiles, plan.places, unlike)
        about["warnings"] += shown.words
        about["accuracy"] = with_error(about["accuracy"], shown.off_px)
        about["steps"] += _written(plan, context, output, (folder, mark), settings)
    _tidy(folder, mark)
    about["canvas"] = _canvas(output, plan, settings)
    originals, notes = [tile.path for tile in tiles], notes_of(output, settings.records)
    about |= write_pictures(output, plan, about, notes=notes, originals=originals)
    about["outputs"] = {path.name: sha256_of(path) for path in (output, *picture_paths(notes))}
    about |= {"version": VERSION, "command": "join", "inputs": tile_rows(context.tiles), "versions": versions()}
    return about


def _written(
    plan: Plan, context: SurveyContext, output: Path, at: tuple[Path, str], settings: JoinSettings
) -> list[dict[str, Any]]:
    """Render the plan and write the canvas; returns both steps."""
    folder, mark = at
    source = Source(context.shelf.window, context.shelf.alpha, context.kind.transfer)
    with recording("render", {"codec": settings.codec}) as rendered:
        spec = spec_of(plan, settings.codec)
        demand_room(spec, output, settings.memory)
        rows, job = folder / f"{mark[:16]}-{settings.codec}", rows_mark(mark, plan, settings.codec)
        workers, progress = settings.workers, context.progress
        done = render_rows(plan, source, spec, folder=rows, job=job, workers=workers, progress=progress)
        rendered.numbers = {"rows_taken_from_an_earlier_run": done.rows}
        rendered.numbers |= {"blocks_rendered": done.blocks, "blocks": done.every}
    with recording("write") as written:
        _refuse_changed(context.tiles)
        originals = [tile.path for tile in context.tiles]
        if output.suffix.lower() in FLAT_KINDS:
            write_flat(output, spec, rows, memory=settings.memory, originals=originals)
        else:
            assemble(output, spec, rows, originals=originals)
    return [_step(rendered), _step(written)]


def _laid(context: SurveyContext, output: Path, at: tuple[Path, Path | None], doubts: Sequence[str]) -> dict[str, Any]:
    """The record of a layout; its picture is written, and what was looked at stays for the join.

    at : folders of the job and of records.
    """
    notes = notes_of(output, at[1])
    looked = looked_at(context, at[0], by_hand=True)
    laid, laying = laid_out(context, looked)
    originals = [tile.path for tile in context.tiles]
    about = layout_record(context, looked, laid, (output, notes), originals=originals)
    about["warnings"] = [*doubts, *about["warnings"]]
    about["steps"] = [_step(step) for step in (*looked.steps, laying)]
    about["outputs"] = {layout_paths(notes)[1].name: sha256_of(layout_paths(notes)[1])}
    about |= {"version": VERSION, "command": "join", "inputs": tile_rows(context.tiles), "versions": versions()}
    return about


def _mark(context: SurveyContext, settings: JoinSettings) -> str:
    """What the plan and all blocks depend on, hints on what is shown apart."""
    unlike = replace(settings, memory=0, workers=0, codec="", keep_job=False, replace=False, layout_only=False)
    unlike = replace(unlike, records=None, full_paths=False)
    lasting = replace(unlike, hints=without_shown(context.hints), from_record=None)
    pieces = [(tile.name, tile.sha256) for tile in context.tiles]
    return fingerprint(pieces, lasting, context.recorded, VERSION)


def _context(
    tiles: Sequence[Tile], kind: Kind, shelf: Shelf, settings: JoinSettings, progress: Progress
) -> tuple[SurveyContext, list[str]]:
    """What the survey is called with, after hints on pieces themselves; words."""
    taken, hints, words = taking_part(tiles, settings.hints)
    dpi, doubts = declared_dpi(taken, settings.survey.default_dpi)
    if settings.dpi:
        dpi, doubts = np.full(len(taken), settings.dpi), []
    else:
        demand_even_dpi(taken, hints)
    dpi, hints = with_said_dpi(taken, dpi, hints)
    demand_looks([tile.raster.shape for tile in taken], dpi / MM_PER_INCH, settings.memory)
    flipped = frozenset(one.piece for one in hints.mirrored)
    recorded = recorded_places(settings.from_record, taken, flipped) if settings.from_record else None
    wishes = (settings.survey, settings.workers, progress, hints, recorded)
    return SurveyContext(tuple(taken), dpi, shelf, kind, *wishes), [*words, *doubts]


def _shelf_room(tiles: Sequence[Tile], memory: int) -> int:
    """Bytes to keep decoded pieces in: a quarter of them all, and never much more than one row of blocks needs."""
    pixels = sum(math.prod(t.raster.shape) * np.dtype(t.raster.dtype).itemsize for t in tiles)
    return min(memory // 8, max(32 * 2**20, pixels // 4))


def _refuse_changed(tiles: Sequence[Tile]) -> None:
    changed = unchanged(tiles)
    if changed:
        raise UnreadableTile(
            f"{', '.join(changed)} changed or vanished while the job was running",
            expected="originals that stay as they are during the job",
            attempt="the same command again when nothing else writes to them",
        )


def _sweep(folder: Path, error: StitchbedError) -> None:
    """Leave no job folder behind that nothing goes on from: a survey is kept after a full disk, rows always, and so is
    what was looked at where a person lays pieces out by hand."""
    if not isinstance(error, CannotWrite) and not any(folder.glob("*/row-*")) and not looks_are_kept(folder):
        shutil.rmtree(folder, ignore_errors=True)


def _tidy(folder: Path, mark: str) -> None:
    """Of plans and rows kept for hints to come, only the last ones: they are as large as the canvas."""
    for path in folder.iterdir():
        if not path.name.startswith(mark[:16]) and path.suffix != ".look":
            shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink(missing_ok=True)


def _step(record: Record) -> dict[str, Any]:
    return {"step": record.step, "seconds": record.seconds, "numbers": record.numbers, "warnings": record.warnings}


def _canvas(output: Path, plan: Plan, settings: JoinSettings) -> Mapping[str, Any]:
    c = plan.canvas
    return {
        "path": output, "height": c.height, "width": c.width, "dpi": c.dpi, "channels": plan.channels,
        "dtype": plan.dtype, "alpha": plan.alpha, "codec": settings.codec,
    }  # fmt: skip
