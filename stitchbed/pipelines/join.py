"""I tell the main job top to bottom: pieces in, survey, render, one master and its record out.

In: paths and settings. Out: the master, `NAME.json` beside it, and the same record as a dict.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np

from stitchbed.core.errors import BadSettings, CannotWrite, StitchbedError, UnreadableTile
from stitchbed.core.files import cannot_write, sha256_of, write_json
from stitchbed.core.locks import locked
from stitchbed.core.memory import one_heap, workers_within
from stitchbed.core.progress import Cancel, Progress, never, silent, watched
from stitchbed.core.record import VERSION, Record, beside, fingerprint, notes_of, recording
from stitchbed.core.settings import CODEC, DPI, Setting, check
from stitchbed.imaging.transfer import transfer_of
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.tile_layer import Source
from stitchbed.mosaic.result.pictures import picture_paths, write_pictures
from stitchbed.mosaic.result.plan_file import keep_plan, kept_plan, rows_mark
from stitchbed.mosaic.result.record import survey_record, tile_rows, versions
from stitchbed.mosaic.result.render_rows import render_rows, spec_of
from stitchbed.mosaic.survey.context import Kind, SurveyContext, SurveySettings, declared_dpi
from stitchbed.mosaic.survey.survey import survey
from stitchbed.mosaic.survey.uncovered import settled_outside
from stitchbed.output.png_jpeg import FLAT_KINDS, write_flat
from stitchbed.output.room import demand_room
from stitchbed.output.tiff_master import assemble
from stitchbed.pipelines.contract.claims import claim_outputs
from stitchbed.pipelines.contract.inputs import Inputs, paths_of
from stitchbed.pipelines.contract.records import JoinRecord
from stitchbed.reading.base.tile import Tile
from stitchbed.reading.intake import same_profile, take_in, unchanged
from stitchbed.reading.shelf import Shelf

OUTSIDE = ("alpha", "paper")
WORKER_BYTES = 128 * 2**20  # one thread's share: bands of a view, a block and its layers in 16 bits, measured


@dataclass(frozen=True)
class JoinSettings:
    """survey: settings of every stage. outside: places no piece sees become transparent ("alpha") or the paper's
    color ("paper"); a canvas without such places has no alpha channel. codec: deflate, zstd or none. dpi: overrides
    the files'.
    assume_profile: None, "first" or "none" where profiles differ. allow_unreadable: go on without unreadable files.
    memory: bytes to work in. workers: threads. keep_job: leave the job folder behind. replace: keep aside what lies
    there and was not made here. full_paths: in the record.
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
        told_in = notes_of(output, settings.records)
        told: JoinRecord = beside(record, told_in.parent, full=settings.full_paths)
        write_json(told_in, told, originals=[t.path for t in tiles])
        if not settings.keep_job:
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
    kept_aside = claim_outputs(writes, paths, settings, scratch=[job_folder(output)])
    tiles, warnings = take_in(
        paths, memory=settings.memory, allow_unreadable=settings.allow_unreadable, dpi=settings.dpi
    )
    return tiles, [*kept_aside, *warnings]


def job_folder(output: Path) -> Path:
    """Where a join keeps what a stopped run goes on from."""
    return output.with_name(f".{output.name}.job")


def _joined(
    tiles: Sequence[Tile], icc: bytes | None, output: Path, folder: Path, settings: JoinSettings, progress: Progress
) -> dict[str, Any]:
    transfer = transfer_of(icc)
    channels = max(tile.raster.shape[2] for tile in tiles)
    deep = any(tile.raster.dtype == "uint16" for tile in tiles)
    kind = Kind(channels, "uint16" if deep else "uint8", icc, transfer)
    mark = fingerprint(
        [(t.name, t.sha256) for t in tiles],
        replace(settings, memory=0, workers=0, codec="", keep_job=False, replace=False, records=None, full_paths=False),
        VERSION,
    )
    with Shelf(tiles, _shelf_room(tiles, settings.memory), folder / "scratch", memory=settings.memory) as shelf:
        plan, about = _planned(tiles, kind, shelf, (folder, mark), settings, progress)
        source = Source(shelf.window, shelf.alpha, transfer)
        with recording("render", {"codec": settings.codec}) as rendered:
            spec = spec_of(plan, settings.codec)
            demand_room(spec, output, settings.memory)
            rows, job = folder / f"{mark[:16]}-{settings.codec}", rows_mark(mark, plan, settings.codec)
            reused = render_rows(plan, source, spec, folder=rows, job=job, workers=settings.workers, progress=progress)
            rendered.numbers = {"rows_taken_from_an_earlier_run": reused}
        with recording("write") as written:
            _refuse_changed(tiles)
            originals = [tile.path for tile in tiles]
            if output.suffix.lower() in FLAT_KINDS:
                write_flat(output, spec, rows, memory=settings.memory, originals=originals)
            else:
                assemble(output, spec, rows, originals=originals)
    about["steps"] += [_step(rendered), _step(written)]
    about["canvas"] = _canvas(output, plan, settings)
    notes = notes_of(output, settings.records)
    about |= write_pictures(output, plan, about, notes=notes, originals=originals)
    about["outputs"] = {path.name: sha256_of(path) for path in (output, *picture_paths(notes))}
    about |= {"version": VERSION, "command": "join", "inputs": tile_rows(tiles), "versions": versions()}
    return about


def _shelf_room(tiles: Sequence[Tile], memory: int) -> int:
    """Bytes to keep decoded pieces in: a quarter of them all, and never much more than one row of blocks needs."""
    pixels = sum(math.prod(t.raster.shape) * np.dtype(t.raster.dtype).itemsize for t in tiles)
    return min(memory // 8, max(32 * 2**20, pixels // 4))


def _planned(
    tiles: Sequence[Tile], kind: Kind, shelf: Shelf, at: tuple[Path, str], settings: JoinSettings, progress: Progress
) -> tuple[Plan, dict[str, Any]]:
    """The plan and its record: from an earlier run of the same job, or by a survey now.

    at : folder of the job, its fingerprint.
    """
    folder, job = at
    saved = folder / f"{job[:16]}.plan"
    kept = kept_plan(saved, job, tiles, kind)
    if kept is not None:
        return kept
    dpi, doubts = declared_dpi(tiles, settings.survey.default_dpi)
    if settings.dpi:
        dpi, doubts = np.full(len(tiles), settings.dpi), []
    context = SurveyContext(tuple(tiles), dpi, shelf, kind, settings.survey, settings.workers, progress)
    found = survey(context)
    plan, outside, words = settled_outside(found, settings.outside)
    about = survey_record(found, plan)
    about |= {"outside": outside, "warnings": [*doubts, *found.warnings, *words]}
    return plan, keep_plan(saved, job, plan, about)


def _refuse_changed(tiles: Sequence[Tile]) -> None:
    changed = unchanged(tiles)
    if changed:
        raise UnreadableTile(
            f"{', '.join(changed)} changed or vanished while the job was running",
            expected="originals that stay as they are during the job",
            attempt="the same command again when nothing else writes to them",
        )


def _sweep(folder: Path, error: StitchbedError) -> None:
    """Leave no job folder behind that nothing goes on from: a survey is kept after a full disk, rows always."""
    if not isinstance(error, CannotWrite) and not any(folder.glob("*/row-*")):
        shutil.rmtree(folder, ignore_errors=True)


def _step(record: Record) -> dict[str, Any]:
    return {"step": record.step, "seconds": record.seconds, "numbers": record.numbers, "warnings": record.warnings}


def _canvas(output: Path, plan: Plan, settings: JoinSettings) -> Mapping[str, Any]:
    c = plan.canvas
    return {
        "path": output, "height": c.height, "width": c.width, "dpi": c.dpi, "channels": plan.channels,
        "dtype": plan.dtype, "alpha": plan.alpha, "codec": settings.codec,
    }  # fmt: skip
