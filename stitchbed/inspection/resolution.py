"""I measure where detail ends and noise begins in a scan, and say which resolution keeps all of it.

In: windows full of drawing and windows of bare paper, at full resolution. Out: limits in cycles/mm, advice in dpi.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.core.quantities import MM_PER_INCH

BINS = 32  # of 1/64 cycles/px each, up to half a cycle
LOWEST_BIN = 2  # below lies the slope of light over a window
ROSE = 2.0  # detail counts while power is at least twice the noise: Mizutani et al. (2016), doi 10.1111/jmi.12315
CONTRAST = 4.0  # power of drawing over paper at low frequencies under which there is no paper to compare with
MARGIN = 0.03  # of a step's Nyquist frequency: how well a limit is known (see the tests)


@dataclass(frozen=True)
class Spectrum:
    """Radial power of a scan. frequency : (BINS,) cycles/px. detail, calm : (BINS,) gray levels squared; white noise of
    standard deviation s has s squared everywhere. noise : gray levels.
    """

    frequency: Array
    detail: Array
    calm: Array
    noise: float


@dataclass(frozen=True)
class Limits:
    """Cycles/mm. detail : where the drawing sinks into paper and noise. grain : where the paper's own texture sinks
    into
    noise. nyquist : half a cycle per pixel. has_paper : False when nothing calm was found; then detail means texture
    too.
    """

    detail: float
    grain: float
    nyquist: float
    has_paper: bool


def spectrum(detail: Sequence[Floats], calm: Sequence[Floats], noise: float) -> Spectrum:
    """Mean power of the windows with drawing, median power of the calm ones (a line strayed into one does no harm)."""
    frequency = (np.arange(BINS) + 0.5) / (2 * BINS)
    loud = np.mean([radial_power(window) for window in detail], axis=0)
    quiet = np.median([radial_power(window) for window in calm], axis=0)
    return Spectrum(frequency, loud, quiet, noise)


def radial_power(window: Floats) -> Array:
    """(BINS,) mean power over rings of a square window, tapered so that its borders add nothing."""
    side = min(window.shape)
    square = window[:side, :side]
    taper = np.hanning(side)[:, None] * np.hanning(side)[None]
    level = (square - square.mean()) * taper
    power = np.abs(np.fft.rfft2(level)) ** 2 / (taper**2).sum()
    rows, cols = np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None]
    ring = np.floor(np.hypot(rows, cols) * 2 * BINS).astype(int)
    inside = ring < BINS
    total = np.bincount(ring[inside], power[inside], BINS)
    return np.asarray(total / np.maximum(np.bincount(ring[inside], minlength=BINS), 1))


def limits(measured: Spectrum, dpi: float) -> Limits:
    """Where the drawing and where the grain of the paper end.

    The drawing ends where its windows hold twice the power of bare paper, the grain where bare paper holds twice the
    power of noise. Without bare paper (a painting), everything above noise is detail.
    """
    per_mm = dpi / MM_PER_INCH
    floor = np.full(BINS, max(measured.noise, 0.2) ** 2)
    low = slice(LOWEST_BIN, LOWEST_BIN + 4)
    has_paper = bool(np.median(measured.detail[low] / measured.calm[low]) > CONTRAST)
    ground = np.maximum(measured.calm, floor) if has_paper else floor
    return Limits(
        crossing(measured.frequency, measured.detail / ground) * per_mm,
        crossing(measured.frequency, measured.calm / floor) * per_mm,
        per_mm / 2,
        has_paper,
    )


def crossing(frequency: Array, ratio: Array) -> float:
    """Frequency (cycles/px) up to which a ratio of powers stays at ROSE or more; 0.5 when it never falls below."""
    logs = np.log(np.maximum(ratio, 1e-9))
    smooth = np.convolve(np.pad(logs, 1, mode="edge"), np.full(3, 1 / 3), mode="valid")
    level = float(np.log(ROSE))
    for index in range(LOWEST_BIN, BINS):
        if smooth[index] < level and (index + 1 == BINS or smooth[index + 1] < level):
            if index == LOWEST_BIN:
                return float(frequency[index])
            before, after = float(smooth[index - 1]), float(smooth[index])
            share = (before - level) / max(before - after, 1e-9)
            return float(frequency[index - 1] + share * (frequency[index] - frequency[index - 1]))
    return 0.5


def least_dpi(limit: float) -> float:
    """Dpi whose Nyquist frequency is a limit in cycles/mm: two pixels a cycle."""
    return 2 * limit * MM_PER_INCH


def advised(steps: Sequence[float], limit: float) -> float | None:
    """The lowest of the steps (dpi) that keeps detail up to a limit in cycles/mm; None when none does."""
    enough = [dpi for dpi in sorted(steps) if dpi * (1 + MARGIN) >= least_dpi(limit)]
    return enough[0] if enough else None


def time_ratio(dpi: float, base: float) -> tuple[float, float]:
    """(least, most) times a scan takes over one at `base`: rows grow with dpi, transfer with its square."""
    ratio = dpi / base
    return min(ratio, ratio**2), max(ratio, ratio**2)


def crop(pixels: NDArray[np.uint8], side: int) -> NDArray[np.uint8]:
    """(side, side, 3) picture of a square crop: pixels stay visible when enlarged, nothing is made up."""
    how = cv2.INTER_AREA if pixels.shape[0] > side else cv2.INTER_NEAREST
    return np.asarray(cv2.resize(np.ascontiguousarray(pixels), (side, side), interpolation=how), np.uint8)
