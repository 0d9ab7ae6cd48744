"""I tell how photographs become a fronto-parallel picture at true size: plane, light, shine, rendering, record.

In: photos of one flat work, what the user said. Out: one TIFF, its record, and what to tell the user.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np

from stitchbed.color.profiles import profile_of, same_colors
from stitchbed.color.tone import bending
from stitchbed.core.arrays import Array
from stitchbed.core.errors import CanvasTooLarge, MixedTiles
from stitchbed.core.files import sha256_of, write_json
from stitchbed.core.locks import locked
from stitchbed.core.memory import workers_within
from stitchbed.core.progress import Cancel, Progress, never, silent, watched
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.record import notes_of, recording
from stitchbed.core.settings import BITS, GRADE, Setting, check
from stitchbed.imaging.box import Box, blocks
from stitchbed.imaging.parallel import in_order, single_threaded_opencv
from stitchbed.output.room import demand_room
from stitchbed.output.tiff_master import BLOCK, EncodedBlock, MasterSpec, encode_block, write_master
from stitchbed.photos.compositing.illumination import LightField
from stitchbed.photos.compositing.render import FaceJob, FaceSource, corners_in_photo, render
from stitchbed.photos.geometry.output_frame import canvas_size, inside_photo, to_photo
from stitchbed.photos.plane.survey import survey_plane
from stitchbed.photos.survey.clipping import Headroom, cut_off_note, headroom_of
from stitchbed.photos.survey.glare import Highlights, highlights_of, sheen_note
from stitchbed.photos.survey.illumination import LIGHTS, survey_light
from stitchbed.photos.survey.parts import highlights_in_parts, in_parts, survey_light_in_parts
from stitchbed.photos.survey.photo import Photo, opened
from stitchbed.photos.survey.plane_types import Asked, PlaneSurvey
from stitchbed.photos.targets.contrast import contrast_of, with_straight_tones
from stitchbed.photos.targets.figures import grades, photo_figures
from stitchbed.pipelines.contract.claims import claim_outputs
from stitchbed.pipelines.contract.inputs import Inputs, check_name, paths_of, stored_as
from stitchbed.pipelines.contract.records import StepRecord, told_of
from stitchbed.pipelines.texts.color import CONTRAST
from stitchbed.pipelines.texts.rectify import numbers_of, too_large
from stitchbed.reading.intake import unchanged

MOST_PIXELS = 4e9
WORKER_BYTES = 160 * 2**20  # one thread's share: a block of several photos in color, measured
ENLARGED = 1.25  # a result this much finer than the photo holds no more than the photo


@dataclass(frozen=True)
class RectifySettings:
    """dpi : of the result. blank : photo of a blank sheet. patches : measured colors of the card, which tell a curve.

    bits : 8 or 16. light : of `light_survey.LIGHTS`. table : of the grade, or None.

    memory : bytes to work in. workers : threads. replace : keep aside what lies there and was not made here.
    records : folder for the record, None: beside the output. full_paths : in the record.
    """

    dpi: Annotated[float, Setting("Resolution of the result.", unit="dpi", low=10, high=20_000)]
    asked: Asked = field(default_factory=Asked)
    blank: Annotated[Path | None, Setting("Photo of a blank sheet in the work's place, to even out the light.")] = None
    patches: Annotated[
        Path | None,
        Setting("Measured colors of the card (card.txt): undoes the camera's contrast curve before light is evened."),
    ] = None
    light: Annotated[str, Setting("What tells how evenly the work was lit.", choices=LIGHTS)] = "auto"
    bits: Annotated[int, BITS] = 16
    table: Annotated[str | None, GRADE] = None
    memory: int = 2**30
    workers: int = 2
    replace: bool = False
    records: Path | None = None
    full_paths: bool = False


def rectify(
    inputs: Inputs,
    output: str | Path,
    settings: RectifySettings,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> StepRecord:
    """Write the rectified picture; returns the record, also written beside it.

    Raises
    ------
    CardNotFound, BadSettings, UnreadableTile, CanvasTooLarge, MixedTiles, CannotWrite, WouldTouchOriginal.
    """
    check(settings)
    paths, output, progress = paths_of(inputs), Path(output), watched(progress, cancel)
    check_name(output)
    stored_as(settings.bits)
    kept_aside = claim_outputs([output, notes_of(output, settings.records)], paths, settings)
    told = replace(settings, memory=0, workers=0, records=None)
    with locked(output), recording("rectify", told) as record, ExitStack() as stack:
        photos, notes = stack.enter_context(opened(paths, memory=settings.memory))
        blank = (
            stack.enter_context(opened([settings.blank], memory=settings.memory))[0][0]
            if settings.blank is not None
            else None
        )
        notes += _check_alike(photos)
        plane = survey_plane(photos, settings.asked)
        parts = in_parts(photos, plane)
        photos, fields, bends, light_notes = _lit(photos, plane, blank, settings, parts=parts)
        shine = (highlights_in_parts if parts else highlights_of)(photos, plane, fields)
        room = headroom_of(photos, plane, fields, shine.gains)
        job = _job(photos, plane, fields, replace(shine, gains=shine.gains * room.factor), settings)
        cut_off = _write(job, photos, output, settings, progress)
        record.inputs = {photo.tile.name: photo.tile.sha256 for photo in photos}
        record.numbers = numbers_of(plane, fields, shine, job) | _cut_off_numbers(cut_off, room)
        record.numbers["too_large_mm_per_mm"] = too_large(plane, settings.asked)
        record.numbers["raised_mm"] = settings.asked.raised_mm
        record.numbers["tone_curve"] = None if bends is None else np.round(bends, 4)
        best = max(range(len(photos)), key=lambda i: len(plane.seen[i]))  # most cards to measure on
        figures = photo_figures(photos[best], plane, fields[best], settings.dpi, best)
        record.numbers |= {"figures": figures}
        if len(photos) == 1:
            record.numbers["corners_px"] = corners_in_photo(job, job.sources[0])
        if settings.table is not None:
            record.numbers["grade"] = grades(figures, settings.table)
        doubts = [*plane.warnings, *_doubts(photos, plane, job), *sheen_note(shine), *cut_off_note(cut_off, room)]
        record.warnings = [*doubts, *light_notes, *notes, *kept_aside, *_changed(photos)]  # by weight
    record.outputs = {output.name: sha256_of(output)}
    told_in = notes_of(output, settings.records)
    content = told_of(record, "rectify", told_in, settings)
    write_json(told_in, content, originals=[photo.tile.path for photo in photos])
    return content


def _check_alike(photos: Sequence[Photo]) -> list[str]:
    """A word on photos without a color profile beside others that have one.

    Raises
    ------
    MixedTiles : colors of one do not mean what those of the first do.
    """
    first = photos[0].tile.raster
    for photo in photos[1:]:
        if photo.tile.raster.shape[2] != first.shape[2] or not same_colors(photo.tile.raster.icc, first.icc):
            raise MixedTiles(
                f"{photo.tile.name} has another color profile or other channels than {photos[0].tile.name}",
                expected="photos of one work from one camera, stored alike; one without a profile counts as sRGB",
                attempt="export all of them with one setting",
            )
    bare = [photo.tile.name for photo in photos if photo.tile.raster.icc is None]
    if not 0 < len(bare) < len(photos):
        return []
    return [f"{' and '.join(bare)} without a color profile counted as sRGB, which the other photos are"]


def _lit(
    photos: Sequence[Photo], plane: PlaneSurvey, blank: Photo | None, settings: RectifySettings, *, parts: bool
) -> tuple[tuple[Photo, ...], Sequence[LightField | None], Array | None, list[str]]:
    """The photos without the camera's contrast curve, the light in each, bends of that curve or None, and notes."""
    survey = survey_light_in_parts if parts else survey_light
    even = "none" if settings.light == "auto" and settings.asked.scan else settings.light  # scans are even

    def lit(bends: Array | None) -> tuple[Sequence[LightField | None], list[str]]:
        straight = [with_straight_tones(photo, bends) for photo in photos]
        sheet = with_straight_tones(blank, bends) if blank is not None else None
        return survey(straight, plane, light=even, blank=sheet)

    bends, words = contrast_of(photos, plane, settings.patches, lit) if settings.patches is not None else (None, [])
    fields, notes = lit(bends)
    notes = [*notes, *words]
    if bends is not None:
        notes = [*notes, CONTRAST.format(share=bending(bends))]
    return tuple(with_straight_tones(photo, bends) for photo in photos), fields, bends, notes


def _job(
    photos: Sequence[Photo],
    plane: PlaneSurvey,
    fields: Sequence[LightField | None],
    shine: Highlights,
    settings: RectifySettings,
) -> FaceJob:
    height, width = canvas_size(plane.facing, settings.dpi)
    if height * width > MOST_PIXELS:
        raise CanvasTooLarge(
            f"a result of {width} x {height} px",
            expected=f"at most {MOST_PIXELS / 1e6:.0f} megapixels",
            attempt="a lower --dpi; check --size and --printed-mm",
        )
    sources = tuple(
        FaceSource(photo.windows.window, photo.size, photo.transfer, number, shine.gains[number], fields[number])
        for number, photo in enumerate(photos)
    )
    channels = photos[0].tile.raster.shape[2]
    dtype = stored_as(settings.bits)
    return FaceJob(plane.facing, plane.fit, settings.dpi, height, width, channels, dtype, sources, shine.shares)


def _write(job: FaceJob, photos: Sequence[Photo], output: Path, settings: RectifySettings, progress: Progress) -> Array:
    """Write the result; returns (channels,) the share of it that is cut off at full white."""
    icc = next((photo.tile.raster.icc for photo in photos if photo.tile.raster.icc is not None), None)
    if icc is None and job.channels == 3:
        icc = profile_of("srgb")
    spec = MasterSpec(job.height, job.width, job.channels, job.dtype, False, job.dpi, icc)
    demand_room(spec, output, settings.memory)
    boxes = list(blocks(job.height, job.width, BLOCK))
    workers = workers_within(settings.workers, settings.memory, WORKER_BYTES)

    cut_off = np.zeros(job.channels)
    full = np.iinfo(job.dtype).max

    def one(box: Box) -> tuple[EncodedBlock, Array]:
        pixels = render(job, box)
        return encode_block(pixels, spec), np.count_nonzero(pixels == full, axis=(0, 1))

    def counted() -> Iterator[EncodedBlock]:
        for done, (block, cut) in enumerate(in_order(one, boxes, workers), start=1):
            progress("rendering", done, len(boxes))
            cut_off[:] += cut
            yield block

    with single_threaded_opencv():
        write_master(output, spec, counted(), originals=[photo.tile.path for photo in photos])
    return cut_off / (job.height * job.width)


def _cut_off_numbers(result: Array, room: Headroom) -> dict[str, Any]:
    shares = {name: [round(float(v), 6) for v in each] for name, each in (("result", result), ("photo", room.cut_off))}
    return {"cut_off": shares, "light_lowered_to": round(room.factor, 4)}


def _doubts(photos: Sequence[Photo], plane: PlaneSurvey, job: FaceJob) -> list[str]:
    """What the user should know about a result that was written all the same."""
    doubts = []
    grid = np.stack(np.meshgrid(np.linspace(0, job.facing.width, 41), np.linspace(0, job.facing.height, 41)), -1)
    ways = [to_photo(job.facing, job.fit, number)(grid.reshape(-1, 2)) for number in range(len(photos))]
    inside = np.any([inside_photo(at, photo.size) for at, photo in zip(ways, photos, strict=True)], axis=0)
    outside = 1 - float(inside.mean())
    if outside > 0.001 and plane.own_edges:  # without edges all that is seen is shown, and what the photo lacks of it
        where = photos[0].tile.name if len(photos) == 1 else "all photos"
        doubts.append(f"{outside:.1%} of the result lies outside {where} and repeats an edge")
    held = photo_dpi(plane, job)
    if job.dpi > ENLARGED * held:
        doubts.append(f"{job.dpi:.0f} dpi is finer than the photo, which holds about {held:.0f} dpi of the work")
    return doubts


def photo_dpi(plane: PlaneSurvey, job: FaceJob) -> float:
    """Pixels per inch of the work in the first photo, at the work's middle."""
    middle = np.array([[plane.facing.width, plane.facing.height]]) / 2
    ends = to_photo(job.facing, job.fit, 0)(np.add(middle, [[0, 0], [1, 0], [0, 1]]))
    area = abs(float(np.linalg.det(ends[1:] - ends[0])))
    return MM_PER_INCH * float(np.sqrt(area))


def _changed(photos: Sequence[Photo]) -> list[str]:
    return [f"{name} changed while the job ran" for name in unchanged([photo.tile for photo in photos])]
