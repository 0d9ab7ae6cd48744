"""I look at one tile once, small, and keep all that the survey needs of it.

In: a reduced view. Out: a `Preview` of a few megabytes, so that 150 tiles fit in memory whatever their dpi.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.reduce import reduction_for, shrunk, shrunk_to
from stitchbed.imaging.transfer import Transfer, to_bent, to_linear
from stitchbed.matching.features import FeatureSettings, Keypoints, detect
from stitchbed.matching.overlap_evidence import Detail, EvidenceSettings, detail_of
from stitchbed.matching.similarity_links import Sight, sight_of
from stitchbed.mosaic.compositing.dust_by_overlap import Candidates, SpeckSettings, candidates
from stitchbed.mosaic.compositing.seams import Drawing
from stitchbed.mosaic.photometry.overlap_samples import Small, small_of
from stitchbed.mosaic.registration.tie_points import Texture, texture_of


@dataclass(frozen=True)
class PreviewSettings:
    """sight_side: px of the picture motions are judged by. texture_side: px of the texture map's long side.
    cell_mm, drawing_mm: cells for light (a megabyte for an A4 piece) and for drawing.
    blank: gray steps per view px that are still paper.
    """

    sight_side: int = 480
    texture_side: int = 700
    cell_mm: float = 1.0
    drawing_mm: float = 1.0
    blank: float = 5.0


@dataclass(frozen=True)
class Preview:
    """What is kept of a tile's reduced view."""

    keypoints: Keypoints
    sight: Sight
    detail: Detail
    texture: Texture
    small: Small
    drawing: Drawing
    marks: Candidates


def preview_of(
    name: str,
    fine: NDArray[Any],
    reductions: tuple[int, int],
    *,
    px_per_mm: float,
    transfer: Transfer,
    settings: tuple[PreviewSettings, FeatureSettings, SpeckSettings, EvidenceSettings],
    in_turn: AbstractContextManager[object],
) -> Preview:
    """Look at a tile whose full-resolution scale is px_per_mm.

    fine : (h, w, c) view fine enough for specks. reductions : of `fine`, and of the view for all else (a multiple).
    in_turn : held while points are sought, which needs some 160 MB: a lock where several tiles are looked at together.
    """
    own, feature_settings, speck_settings, evidence_settings = settings
    finest = gray_of(fine)
    marks = candidates(finest, reductions[0], px_per_mm, speck_settings)
    detail = detail_of(finest, reductions[0], px_per_mm, evidence_settings)
    del finest
    reduction = reductions[1]
    view = shrunk(fine, reduction // reductions[0])
    gray = gray_of(view)
    with in_turn:
        keypoints = detect(name, view, reduction, feature_settings)
    sight = sight_of(gray, reduction, own.sight_side)
    half, times = shrunk_to(gray, own.texture_side)
    texture = texture_of(half, reduction * times, max(8, round(4 * px_per_mm)))
    light = (to_linear(view, transfer), to_bent(view, transfer))
    small = small_of(*light, reduction, own.cell_mm * px_per_mm)
    return Preview(keypoints, sight, detail, texture, small, _drawing(gray, reduction, px_per_mm, own), marks)


def look_reductions(shape: tuple[int, ...], dpi: float, view_side: int, look_dpi: float) -> tuple[int, int]:
    """(fine, coarse) whole reductions for `preview`; the coarse one is a multiple of the fine one."""
    fine = max(1, min(int(dpi / look_dpi + 0.1), reduction_for(shape, view_side)))
    return fine, fine * max(1, round(reduction_for(shape, view_side) / fine))


def _drawing(gray: Floats, reduction: int, px_per_mm: float, settings: PreviewSettings) -> Drawing:
    """Mean edge strength above the paper's own unrest, per cell."""
    gx, gy = cv2.Sobel(gray, cv2.CV_32F, 1, 0, scale=0.25), cv2.Sobel(gray, cv2.CV_32F, 0, 1, scale=0.25)
    strength = np.maximum(np.hypot(gx, gy) - settings.blank, 0).astype(np.float32)
    step = max(1, round(settings.drawing_mm * px_per_mm / reduction))
    small, times = shrunk_to(strength, max(1, max(gray.shape) // step))
    return Drawing(small, float(reduction * times))
