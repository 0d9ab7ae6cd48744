"""I find noise and grain of a scan where no place is free of drawing: between the periods of a screen or of hatching.

In: a scan in bands of gray levels. Out: its weaker powers by fineness, gray levels squared.

Noise and the grain of paper have about the same power in all directions at one fineness; what is drawn over a whole
page, as screens are, holds its own in few of them. So a power is read from the weaker frequencies of its ring.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats

WINDOW = 96  # px: a screen of 133 lines an inch at 1200 dpi leaves some ten frequencies between two of its periods
MOST_WINDOWS = 2000  # of a scan, spread evenly
RINGS = np.arange(0.02, 0.69, 0.03)  # cycles/px; beyond lie only corners
FINE = 0.26  # cycles/px: what is slower is not lost by halving
WEAKER = 0.25  # quantile of the powers in a ring, which drawing in a fourth of the directions hardly moves
OF_MEAN = float(-np.log(1 - WEAKER))  # that quantile over the mean, where the power is noise's: an exponential law


def apart_of(shape: tuple[int, int]) -> int:
    """Windows from one that is looked at to the next, both ways, in a scan (h, w)."""
    return max(1, int(np.ceil(np.sqrt(shape[0] * shape[1] / WINDOW**2 / MOST_WINDOWS))))


def weaker_powers(gray: Floats, apart: int) -> list[Array]:
    """(rings,) of each window that is looked at of a band (h, w): power of noise with nothing drawn over it."""
    rings = _rings()
    return [np.array([np.quantile(power[ring], WEAKER) for ring in rings]) / OF_MEAN for power in _spectra(gray, apart)]


def mean_powers(gray: Floats) -> Array:
    """(rings,) power of a band (h, w), all of it."""
    power = np.mean(list(_spectra(gray, 1)), axis=0)
    return np.array([power[ring].mean() for ring in _rings()])


def fine_power(powers: Array) -> Array:
    """(windows,) mean power of what is lost by halving, from (windows, rings)."""
    fine = RINGS[:-1] >= FINE
    return np.asarray(powers[:, fine] @ _weights()[fine] / _weights()[fine].sum())


def lost_power(powers: Array, lost: Array) -> float:
    """Mean power that is lost of (windows, rings) where a share (rings,) is lost."""
    return float((powers.mean(0) * lost * _weights()).sum())


def _weights() -> Array:
    """(rings,) share of all frequencies of a window."""
    return np.array([len(ring) for ring in _rings()]) / (WINDOW * (WINDOW // 2 + 1))


def _spectra(gray: Floats, apart: int) -> Iterator[Array]:
    """Flat power spectrum of each window; white noise of standard deviation s has s squared everywhere."""
    taper = np.hanning(WINDOW)[:, None] * np.hanning(WINDOW)
    taper /= np.sqrt((taper**2).sum())
    for row in range(0, gray.shape[0] - WINDOW + 1, WINDOW * apart):
        for col in range(0, gray.shape[1] - WINDOW + 1, WINDOW * apart):
            window = gray[row : row + WINDOW, col : col + WINDOW]
            yield (np.abs(np.fft.rfft2((window - window.mean()) * taper)) ** 2).ravel()


def _rings() -> list[NDArray[np.intp]]:
    """Indices of the frequencies of each ring in a flat spectrum."""
    speed = np.hypot(np.fft.fftfreq(WINDOW)[:, None], np.fft.rfftfreq(WINDOW)).ravel()
    return [np.flatnonzero((speed >= low) & (speed < high)) for low, high in pairwise(RINGS)]
