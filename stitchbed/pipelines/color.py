"""I tell how a picture gets true color: find the chart, read it, fit, judge, and apply to every pixel.

In: a picture with a chart in it, what the chart should be. Out: a TIFF with a profile, its record, text for the user.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.card.corners import corner_points
from stitchbed.card.patches import MOST_CLIPPED
from stitchbed.color.cielab import chroma_of, de00, lab_from_xyz
from stitchbed.color.fit import ColorFit, terms_of
from stitchbed.color.profiles import profile_of, same_colors, xyz_from_profile
from stitchbed.color.tone import CLEARLY_BENT, bending, straightened
from stitchbed.core.arrays import Array, Floats
from stitchbed.core.errors import BadSettings, MixedTiles
from stitchbed.core.files import sha256_of, write_json
from stitchbed.core.locks import locked
from stitchbed.core.memory import workers_within
from stitchbed.core.progress import Cancel, Progress, never, silent, watched
from stitchbed.core.record import notes_of, recording
from stitchbed.core.settings import BITS, GRADE, Setting, check
from stitchbed.imaging.box import Box, blocks
from stitchbed.imaging.depth import at_depth
from stitchbed.imaging.parallel import in_order, single_threaded_opencv
from stitchbed.imaging.transfer import to_linear, to_stored, transfer_of
from stitchbed.output.room import demand_room
from stitchbed.output.tiff_master import BLOCK, EncodedBlock, MasterSpec, encode_block, write_master
from stitchbed.photos.survey.photo import Photo, demand_color, opened
from stitchbed.photos.targets.figures import grades
from stitchbed.photos.targets.fit_checks import color_figures, doubt_fit, fit_without_strays, light_over_chart
from stitchbed.photos.targets.pairing import (
    CHARTS,
    OwnCard,
    Paired,
    left_out_words,
    own_card,
    pair24,
    pair_chart,
    pair_own,
    read_own,
)
from stitchbed.pipelines.contract.claims import claim_outputs
from stitchbed.pipelines.contract.inputs import Inputs, check_name, one_path, stored_as
from stitchbed.pipelines.contract.records import StepRecord, told_of
from stitchbed.pipelines.texts.color import CONTRAST

Apply = Callable[[Floats], Floats]

PAPER_LIGHTNESS = 95.0  # L* taken for unprinted paper when nothing was measured
UNMEASURED = (
    "the card is a print that was not measured: white balance and exposure are set by its paper; its grays and colors "
    "say nothing about true color, and none is claimed"
)
UNEVEN = (
    "the light falls off by {share:.0%} over the chart, towards its {end} end in the picture: colors are as true as "
    "that allows; light chart and work evenly, or straighten the photo by `rectify` first, which evens its light (with "
    "--patches also where the camera bends tones)"
)
WORKER_BYTES = 128 * 2**20  # one thread's share: a block of light and what it is packed from, measured
PALE = 0.6  # light in all channels of what is paper lit too strongly, not an ink too strong for the space
OUT_OF_RANGE = 0.002  # linear light beyond 0..1 that counts as outside of the space


@dataclass(frozen=True)
class ColorSettings:
    """card : of `color_reading.CHARTS`. patches : reference file. edition : of the chart of 24. corners : (4, 2) px.

    chart_in : picture that holds the chart, where that is not the picture to correct.
    kind : of the fit, "auto", "matrix" or "root". space : "same", "srgb" or "wide". bits : 8 or 16.
    table : of the grade, or None. memory : bytes to work in. workers : threads.
    replace : keep aside what lies there and was not made here.
    records : folder for the record, None: beside the output. full_paths : in the record.
    """

    card: Annotated[
        str, Setting("The card of `card`, the classic chart of 24 patches, or any chart by --corners.", choices=CHARTS)
    ] = "own"
    patches: Annotated[
        Path | None, Setting("Colors of its patches: card.txt with measured values, or a reference file.")
    ] = None
    edition: Annotated[str | None, Setting("Of the chart of 24 patches.", choices=("before-2014", "from-2014"))] = None
    corners: Annotated[
        Array | None,
        Setting(
            "Of a chart's patch field, px, its top left first.",
            unit="X,Y X,Y X,Y X,Y",
            words=4,
            read=partial(corner_points, clockwise=False),
        ),
    ] = None
    chart_in: Annotated[
        Path | None, Setting("Another picture, made with the same settings, that holds the card or chart.")
    ] = None
    kind: Annotated[
        str,
        Setting(
            "Three terms, six terms, or whichever errs less on patches it has not seen.",
            option="fit",
            choices=("auto", "matrix", "root"),
        ),
    ] = "auto"
    space: Annotated[
        str,
        Setting(
            "Color space of the output: the picture's own, sRGB, or a wide one for strong inks.",
            choices=("same", "srgb", "wide"),
        ),
    ] = "same"
    bits: Annotated[int, BITS] = 16
    table: Annotated[str | None, GRADE] = None
    memory: int = 2**30
    workers: int = 2
    replace: bool = False
    records: Path | None = None
    full_paths: bool = False


@dataclass(frozen=True)
class Correction:
    """apply : linear light (..., 3) of the picture to linear light of the output. icc : of the output, None: none."""

    apply: Apply
    icc: bytes | None


def correct_color(
    inputs: Inputs,
    output: str | Path,
    settings: ColorSettings | None = None,
    *,
    progress: Progress = silent,
    cancel: Cancel = never,
) -> StepRecord:
    """Write the corrected picture; returns the record, also written beside it.

    Raises
    ------
    CardNotFound, BadSettings, MixedTiles, UnreadableTile, CannotWrite, WouldTouchOriginal.
    """
    settings = settings or ColorSettings()
    check(settings)
    path, output, progress = one_path(inputs, "color"), Path(output), watched(progress, cancel)
    check_name(output)
    stored_as(settings.bits)
    kept_aside = claim_outputs([output, notes_of(output, settings.records)], [path], settings)
    told = replace(settings, memory=0, workers=0, records=None)
    with locked(output), recording("color", told) as record, ExitStack() as stack:
        paths = [path] if settings.chart_in is None else [path, settings.chart_in]
        photos, notes = stack.enter_context(opened(paths, memory=settings.memory))
        photo, holder = photos[0], photos[-1]
        for one in photos:
            demand_color(one)
        _check_alike(photo, holder)
        correction, numbers, warnings = _correction(holder, settings)
        numbers["out_of_space"], numbers["lighter_than_white"] = _write(photo, correction, output, settings, progress)
        record.inputs = {one.tile.name: one.tile.sha256 for one in photos}
        record.numbers = numbers
        record.warnings = [*kept_aside, *notes, *warnings]
    record.outputs = {output.name: sha256_of(output)}
    told_in = notes_of(output, settings.records)
    content = told_of(record, "color", told_in, settings)
    write_json(told_in, content, originals=[one.tile.path for one in photos])
    return content


def _correction(photo: Photo, settings: ColorSettings) -> tuple[Correction, dict[str, Any], list[str]]:
    card = own_card(photo) if settings.card == "own" else None
    if card is not None and settings.patches is None:
        return _balance(photo, card)
    pair, fit = fit_without_strays(_paired(photo, card, settings), None if settings.kind == "auto" else settings.kind)
    doubt_fit(fit, pair, photo)
    numbers = _fit_numbers(photo, pair, fit)
    figures = {name: round(value, 4) for name, value in color_figures(fit, pair).items()}
    numbers["figures"] = figures
    if settings.table is not None:
        numbers["grade"] = grades(figures, settings.table)
    warnings = left_out_words(pair)
    if fit.bends is not None and bending(fit.bends) > CLEARLY_BENT:
        warnings.append(CONTRAST.format(share=bending(fit.bends)))
    if (uneven := light_over_chart(pair)) is not None:
        warnings.append(UNEVEN.format(share=uneven[0], end=uneven[1]))
    if not photo.transfer.exact:
        warnings.append("the picture's profile has no plain tone curve; the sRGB curve was taken")
    return _by_fit(photo, fit, settings), numbers, [*warnings, *(card.warnings if card is not None else ())]


def _paired(photo: Photo, card: OwnCard | None, settings: ColorSettings) -> Paired:
    if card is not None and settings.patches is not None:
        return pair_own(photo, card, settings.patches)
    if settings.card == "24":
        return pair24(photo, settings.edition, settings.patches)
    return pair_chart(photo, settings.corners, settings.patches)


def _balance(photo: Photo, card: OwnCard) -> tuple[Correction, dict[str, Any], list[str]]:
    """Gains that make the card's bare paper neutral and as light as paper is."""
    reading = read_own(photo, card)
    paper = [i for i, name in enumerate(reading.names) if card.patches[name].lab[0] == PAPER_LIGHTNESS]
    usable = [i for i in paper if reading.clipped[i] <= MOST_CLIPPED]
    if not usable:
        raise BadSettings(
            f"the card's paper in {photo.tile.name} is " + ("burnt out" if paper else "outside of the picture"),
            expected="unprinted card paper, seen and not burnt out",
            attempt="a picture with less exposure that shows the whole card",
        )
    light = np.median(reading.light[usable], axis=0)
    target = ((PAPER_LIGHTNESS + 16) / 116) ** 3
    gains = (target / light).astype(np.float32)
    gray = [i for i, name in enumerate(reading.names) if card.patches[name].neutral and reading.good[i]]
    matrix = xyz_from_profile(photo.tile.raster.icc)
    lab = lab_from_xyz((reading.light[gray] * gains) @ matrix.T)
    numbers = {
        "kind": "white balance and exposure",
        "gains": gains,
        "grays_after": {reading.names[i]: np.round(row, 2) for i, row in zip(gray, lab, strict=True)},
        "largest_gray_chroma_after": round(float(chroma_of(lab).max()), 2),
        "measured": False,
    }
    return Correction(lambda linear: linear * gains, photo.tile.raster.icc), numbers, [UNMEASURED, *card.warnings]


def _by_fit(photo: Photo, fit: ColorFit, settings: ColorSettings) -> Correction:
    own = photo.tile.raster.icc
    icc = profile_of(settings.space) if settings.space != "same" else own if own is not None else profile_of("srgb")
    to_space = np.linalg.inv(xyz_from_profile(icc))
    matrix = (fit.coefficients @ to_space.T).astype(np.float32)

    def apply(linear: Floats) -> Floats:
        return np.asarray(terms_of(fit.kind, straightened(linear, fit.bends)) @ matrix, dtype=np.float32)

    return Correction(apply, icc)


def _fit_numbers(photo: Photo, pair: Paired, fit: ColorFit) -> dict[str, Any]:
    before = lab_from_xyz(pair.light @ xyz_from_profile(photo.tile.raster.icc).T)
    difference = de00(before, pair.lab)
    rows = zip(pair.names, pair.lab, before, fit.lab, difference, fit.de00, fit.de00_held_out, strict=True)
    keys = ("reference", "before", "after", "de00_before", "de00_after", "de00_held_out")
    table = {name: dict(zip(keys, (np.round(value, 3) for value in values), strict=True)) for name, *values in rows}
    return {
        "kind": fit.kind,
        "reference": pair.title,
        "patches": len(pair.names),
        "measured": True,
        "de00_before": _summary(difference),
        "de00_after": _summary(fit.de00),
        "de00_held_out": _summary(fit.de00_held_out),
        "coefficients_xyz_d50": fit.coefficients,
        "tone_curve": None if fit.bends is None else np.round(fit.bends, 4),
        "table": table,
    }


def _summary(values: Array) -> Mapping[str, float]:
    """Mean, 95th percentile and largest."""
    return {
        "mean": round(float(values.mean()), 3),
        "p95": round(float(np.percentile(values, 95)), 3),
        "max": round(float(values.max()), 3),
    }


def _check_alike(photo: Photo, holder: Photo) -> None:
    """A correction found in one picture holds for another only when their numbers mean the same."""
    if not same_colors(photo.tile.raster.icc, holder.tile.raster.icc):
        raise MixedTiles(
            f"{holder.tile.name} has another color profile than {photo.tile.name}",
            expected="two pictures made with the same settings",
            attempt="scan or export both alike",
        )


def _write(
    photo: Photo, correction: Correction, output: Path, settings: ColorSettings, progress: Progress
) -> tuple[float, float]:
    """Correct every pixel, block by block; returns the shares of pixels outside of the output space, and of those that
    are pale, so that they came out lighter than white.
    """
    rows, columns, _ = photo.tile.raster.shape
    dtype = stored_as(settings.bits)
    dpi = photo.tile.raster.dpi[0] if photo.tile.raster.dpi is not None else 72.0
    spec = MasterSpec(rows, columns, 3, dtype, photo.tile.raster.alpha, dpi, correction.icc)
    demand_room(spec, output, settings.memory)
    boxes = list(blocks(rows, columns, BLOCK))
    outside: list[tuple[int, int]] = []
    workers = workers_within(settings.workers, settings.memory, WORKER_BYTES)
    transfer = transfer_of(correction.icc)

    def one(box: Box) -> tuple[EncodedBlock, tuple[int, int]]:
        light = correction.apply(to_linear(photo.windows.window(box), photo.transfer))
        beyond = np.any((light < -OUT_OF_RANGE) | (light > 1 + OUT_OF_RANGE), axis=2)
        pale = light.min(axis=2) > PALE
        stored = to_stored(light, dtype, transfer)
        alpha = photo.windows.alpha(box)
        if alpha is not None:
            stored = np.dstack([stored, _alpha_as(alpha, dtype)])
        return encode_block(stored, spec), (int(beyond.sum()), int((beyond & pale).sum()))

    def counted() -> Iterator[EncodedBlock]:
        for done, (block, beyond) in enumerate(in_order(one, boxes, workers), start=1):
            outside.append(beyond)
            progress("coloring", done, len(boxes))
            yield block

    with single_threaded_opencv():
        write_master(output, spec, counted(), originals=[photo.tile.path])
    beyond, lighter = (np.sum(outside, axis=0) / (rows * columns)).round(6).tolist()
    return beyond, lighter


def _alpha_as(alpha: NDArray[Any], dtype: str) -> NDArray[Any]:
    if alpha.dtype == dtype:
        return alpha
    return at_depth(alpha, dtype)
