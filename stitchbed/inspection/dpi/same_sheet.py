"""I find how scans of one sheet at several resolutions lie on each other.

In: small gray views and their dpi. Out: 3x3 motions, and which scans show another sheet.

Fine media look different at each resolution: dots melt into tones, thin lines fade, screens beat against the pixels. So
no points are matched; the broad light and dark of the whole views, brought to one scale, are laid on each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats

VIEW_SIDE = 700  # px of the long side two views are compared at: 0.4 mm on an A4 piece
BANDS = (1.5, 3.0, 6.0)  # px; blurs tried, the finest that agrees wins: broad tones outlive aliasing and faint lines
WIDE = 6.0  # times the blur: what is broader is light, not drawing
LIKE = 0.6  # correlation over the overlap; other sheets stay below .35, see the tests
LEAST_SHARED = 0.3  # of a view
TURNS_DEG = (0, 180, 90, 270, 2, -2, 4, -4)  # tried in turn: laid the same way, the other ways, and carelessly
STEPS, PRECISION = 60, 1e-5  # of the refinement


@dataclass(frozen=True)
class View:
    """gray : (h, w) 0..255, reduced `reduction` times from a scan of `dpi`."""

    gray: Floats
    reduction: float
    dpi: float


def groups(views: Sequence[View]) -> list[dict[int, Array]]:
    """Index -> 3x3 motion from the group's first scan to this one (full-resolution px), the largest group first.

    Each scan is laid on the nearest in dpi that it agrees with: neighbors in dpi look most alike.
    """
    found: list[dict[int, Array]] = []
    for index in sorted(range(len(views)), key=lambda at: views[at].dpi):
        for group in found:
            motion = _laid(views, group, index)
            if motion is not None:
                group[index] = motion
                break
        else:
            found.append({index: np.eye(3)})
    return sorted(found, key=lambda group: (-len(group), -max(views[index].dpi for index in group)))


def motion_between(a: View, b: View) -> Array | None:
    """3x3 motion from a to b, full-resolution px of both; None when they do not show one sheet."""
    dpi = min(min(1.0, VIEW_SIDE / max(view.gray.shape)) * view.dpi / view.reduction for view in (a, b))
    small = [_at_dpi(view, dpi) for view in (a, b)]
    ends = [_to_full(view, gray) for view, gray in zip((a, b), small, strict=True)]
    for sigma in BANDS:
        bands = [_band(gray, sigma) for gray in small]
        for turn in TURNS_DEG:
            motion = _refined(bands, _start(bands[0], bands[1], turn))
            if motion is not None:
                return np.asarray(ends[1] @ motion @ np.linalg.inv(ends[0]))
    return None


def _laid(views: Sequence[View], group: dict[int, Array], index: int) -> Array | None:
    """The motion of a scan by the member of a group nearest in dpi it agrees with."""
    for other in sorted(group, key=lambda at: abs(np.log(views[at].dpi / views[index].dpi))):
        motion = motion_between(views[other], views[index])
        if motion is not None:
            return np.asarray(motion @ group[other])
    return None


def _at_dpi(view: View, dpi: float) -> Floats:
    times = dpi / (view.dpi / view.reduction)
    size = max(8, round(view.gray.shape[1] * times)), max(8, round(view.gray.shape[0] * times))
    return np.asarray(cv2.resize(view.gray, size, interpolation=cv2.INTER_AREA), np.float32)


def _to_full(view: View, small: Floats) -> Array:
    """3x3 from px of the small view to full-resolution px; pixel centers at whole numbers."""
    scale = np.array(view.gray.shape[::-1]) / np.array(small.shape[::-1]) * view.reduction
    return np.array([[scale[0], 0, scale[0] / 2 - 0.5], [0, scale[1], scale[1] / 2 - 0.5], [0, 0, 1]])


def _band(gray: Floats, sigma: float) -> Floats:
    fine = cv2.GaussianBlur(gray, (0, 0), sigma)
    return np.asarray(fine - cv2.GaussianBlur(gray, (0, 0), WIDE * sigma), np.float32)


def _start(a: Floats, b: Floats, turn_deg: float) -> Array:
    """(2, 3) motion from a to b with a given turn: the shift of the highest correlation, whole px."""
    middle = (b.shape[1] - 1) / 2, (b.shape[0] - 1) / 2
    back = cv2.getRotationMatrix2D(middle, turn_deg, 1.0)
    turned = cv2.warpAffine(b, back, b.shape[::-1]) if turn_deg else b
    size = [cv2.getOptimalDFTSize(one + two) for one, two in zip(a.shape, b.shape, strict=True)]
    spectra = [np.fft.rfft2(view, size) for view in (a, turned)]
    peak = np.fft.irfft2(np.conj(spectra[0]) * spectra[1], size)
    at = np.unravel_index(int(peak.argmax()), peak.shape)
    down, across = (int(one) if one < side / 2 else int(one) - side for one, side in zip(at, size, strict=True))
    shift = np.array([[1, 0, across], [0, 1, down], [0, 0, 1]], np.float64)
    return np.asarray((np.linalg.inv(np.vstack([back, [0, 0, 1]])) @ shift)[:2])


def _refined(bands: Sequence[Floats], start: Array) -> Array | None:
    """3x3 from the first band-passed view to the second, by enhanced correlation from a start (2, 3); None without
    agreement. Reference: Evangelidis & Psarakis (2008), doi 10.1109/TPAMI.2008.113.
    """
    warp = start.astype(np.float32)
    until = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, STEPS, PRECISION)
    # the library takes the turn of a rigid motion from its sine, which does not tell half a turn from none
    models = (cv2.MOTION_EUCLIDEAN, cv2.MOTION_AFFINE) if start[0, 0] > -0.5 else (cv2.MOTION_AFFINE,)
    try:
        for model in models:
            _, warp = cv2.findTransformECC(bands[0], bands[1], warp, model, until, None, 1)
    except cv2.error:  # it did not converge: not the same sheet, or not from this start
        return None
    motion = np.vstack([warp, [0, 0, 1]]).astype(np.float64)
    return motion if _likeness(bands, motion) >= LIKE else None


def _likeness(bands: Sequence[Floats], motion: Array) -> float:
    """Correlation over the overlap, 0 when it is small or the motion no turn and shift."""
    first = bands[0]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    there = cv2.warpAffine(bands[1], motion[:2], first.shape[::-1], flags=flags, borderValue=float("nan"))
    seen = np.isfinite(there)
    stretch = np.linalg.svd(motion[:2, :2], compute_uv=False)
    if seen.mean() < LEAST_SHARED or not 0.97 < stretch.min() <= stretch.max() < 1.03:
        return 0.0
    return float(np.corrcoef(first[seen], there[seen])[0, 1])
