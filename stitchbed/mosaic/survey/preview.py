"""I look at one tile once, small and band by band, and keep all that the survey needs of it.

In: a reduced view to be read by windows. Out: a `Preview` of a few megabytes, so that 150 tiles fit in memory whatever
their dpi.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.core.errors import CanvasTooLarge
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.reduce import add_area, area_size, reduction_for, shrunk, shrunk_to
from stitchbed.imaging.transfer import Transfer, to_bent, to_linear
from stitchbed.matching.features import FeatureSettings, detect
from stitchbed.matching.overlap_evidence import Detail, EvidenceSettings, detail_from, detail_reductions
from stitchbed.matching.similarity_links import sight_of
from stitchbed.mosaic.compositing.dust_by_overlap import Candidates, SpeckSettings, halo_rows, marks_in, strongest
from stitchbed.mosaic.compositing.seams import Drawing
from stitchbed.mosaic.photometry.overlap_samples import Small, small_of
from stitchbed.mosaic.registration.tie_points import Texture, texture_of
from stitchbed.mosaic.survey.judgment import PieceView
from stitchbed.reading.windows import Windows

BAND_PX = 2**20  # of the fine view that are looked at together; each takes some 30 bytes
MM2_BYTES = 115  # kept of a square millimeter of a piece until the plan is made, measured on a piece of 3,844 MP
SPARE = 120 * 2**20  # bytes of what --memory leaves the libraries that they do not need for this


@dataclass(frozen=True)
class PreviewSettings:
    """sight_side: px of the picture motions are judged by. texture_side: px of the texture map's long side.
    cell_mm, drawing_mm: cells for light (a megabyte for an A4 piece) and for drawing.
    blank: gray steps per view px that are still paper. picture_side: px of the picture that a layout is drawn with.
    """

    sight_side: int = 480
    texture_side: int = 700
    cell_mm: float = 1.0
    drawing_mm: float = 1.0
    blank: float = 5.0
    picture_side: int = 500


@dataclass(frozen=True)
class Preview(PieceView):
    """What is kept of a tile's reduced view. picture : (h, w, c) of it, to be looked at by a person."""

    texture: Texture
    small: Small
    drawing: Drawing
    marks: Candidates
    picture: NDArray[np.uint8]


def details_of(previews: Sequence[PieceView]) -> dict[str, Detail]:
    """What each piece shows, by its name."""
    return {preview.keypoints.tile: preview.detail for preview in previews}


def demand_looks(shapes: Sequence[tuple[int, ...]], px_per_mm: Array, memory: int) -> None:
    """Refuse pieces of (rows, cols, ...) px whose reduced views would take more than `memory` bytes.

    Raises
    ------
    CanvasTooLarge : with the memory that is needed.
    """
    # a cell of a view holds a pixel at least
    fine = np.maximum(px_per_mm, 1.0)
    mm2 = sum(shape[0] * shape[1] / scale**2 for shape, scale in zip(shapes, fine.tolist(), strict=True))
    needed = mm2 * MM2_BYTES - SPARE
    if needed > memory:
        raise CanvasTooLarge(
            f"pieces of {mm2 / 1e6:,.1f} square meters in all",
            expected=f"at most {(memory + SPARE) / MM2_BYTES / 1e6:,.1f} within {memory / 2**20:,.0f} MiB to work in",
            attempt=f"--memory {-(-needed // 2**20):.0f}MiB, or --dpi if the files say a wrong one",
        )


@dataclass(frozen=True)
class PreviewStages:
    """The settings of all that a preview is made of."""

    own: PreviewSettings
    features: FeatureSettings
    specks: SpeckSettings
    evidence: EvidenceSettings


def preview_of(
    name: str,
    fine: Windows,
    reductions: tuple[int, int],
    *,
    px_per_mm: float,
    transfer: Transfer,
    stages: PreviewStages,
    in_turn: AbstractContextManager[object],
) -> Preview:
    """Look at a tile whose full-resolution scale is px_per_mm.

    fine : a view fine enough for specks. reductions : of `fine`, and of the view for all else (a multiple).
    in_turn : held while points are sought, which needs some 160 MB: a lock where several tiles are looked at together.
    """
    own = stages.own
    view, marks, detail = _gone_over(fine, reductions, px_per_mm, stages)
    reduction = reductions[1]
    gray = gray_of(view)
    with in_turn:
        keypoints = detect(name, view, reduction, stages.features)
    sight = sight_of(gray, reduction, own.sight_side)
    half, times = shrunk_to(gray, own.texture_side)
    texture = texture_of(half, reduction * times, max(8, round(4 * px_per_mm)))
    light = (to_linear(view, transfer), to_bent(view, transfer))
    small = small_of(*light, reduction, own.cell_mm * px_per_mm)
    drawing = _drawing(gray, reduction, px_per_mm, own)
    return Preview(keypoints, sight, detail, texture, small, drawing, marks, _picture(view, own.picture_side))


def _gone_over(
    fine: Windows, reductions: tuple[int, int], px_per_mm: float, stages: PreviewStages
) -> tuple[NDArray[Any], Candidates, Detail]:
    """The coarser view, the marks and the detail of a fine one, which is read a band of rows at a time."""
    high, wide, _ = fine.raster.shape
    reduction, factor = reductions[0], reductions[1] // reductions[0]
    times = detail_reductions((high, wide), reduction, px_per_mm, stages.evidence)
    smalls = [np.zeros(area_size((high, wide), one)[::-1], np.float32) for one in times]
    halo = halo_rows(reduction, px_per_mm, stages.specks)
    view: list[NDArray[Any]] = []
    marks: list[Candidates] = []
    for rows in _bands(high, wide, factor):
        top, foot = max(0, rows.start - halo), min(high, rows.stop + halo)
        pixels = fine.window(Box(top, 0, foot - top, wide))
        gray, own = gray_of(pixels), (rows.start - top, rows.stop - top)
        found = marks_in(gray, own, reduction, px_per_mm, stages.specks)
        marks.append(replace(found, xy=np.add(found.xy, (0, top * reduction))))
        for small in smalls:
            add_area(small, gray[slice(*own)], rows.start, high)
        if not view or rows.stop - rows.start >= factor:  # fewer rows than a pixel of the view takes are left out
            view.append(shrunk(pixels[slice(*own)], factor))
    return (
        np.concatenate(view),
        strongest(marks, stages.specks.most),
        detail_from(smalls, wide * reduction, px_per_mm, stages.evidence),
    )


def _bands(high: int, wide: int, factor: int) -> list[range]:
    """Rows that are looked at together, whole pixels of a view `factor` times smaller."""
    rows = max(1, BAND_PX // wide // factor) * factor
    return [range(top, min(top + rows, high)) for top in range(0, high, rows)]


def look_reductions(shape: tuple[int, ...], dpi: float, view_side: int, look_dpi: float) -> tuple[int, int]:
    """(fine, coarse) whole reductions for `preview`; the coarse one is a multiple of the fine one."""
    fine = max(1, min(int(dpi / look_dpi + 0.1), reduction_for(shape, view_side)))
    return fine, fine * max(1, round(reduction_for(shape, view_side) / fine))


def _picture(view: NDArray[Any], side: int) -> NDArray[np.uint8]:
    """A view (h, w, c) at about `side` px, 8 bits."""
    small = shrunk(view, max(1, round(max(view.shape) / side)))
    return np.asarray(np.rint(small * (255.0 / np.iinfo(view.dtype).max)), np.uint8)


def _drawing(gray: Floats, reduction: int, px_per_mm: float, settings: PreviewSettings) -> Drawing:
    """Mean edge strength above the paper's own unrest, per cell."""
    gx, gy = cv2.Sobel(gray, cv2.CV_32F, 1, 0, scale=0.25), cv2.Sobel(gray, cv2.CV_32F, 0, 1, scale=0.25)
    strength = np.maximum(np.hypot(gx, gy) - settings.blank, 0).astype(np.float32)
    step = max(1, round(settings.drawing_mm * px_per_mm / reduction))
    small, times = shrunk_to(strength, max(1, max(gray.shape) // step))
    return Drawing(small, float(reduction * times))
