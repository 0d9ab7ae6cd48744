"""I measure how good the pixels of a scan are, on small windows at full resolution.

In: windows of stored pixels. Out: noise, sharpness, clipping, traces of lossy compression and of made-up resolution.

Nothing here knows what is drawn: every measure is a ratio in which the drawing cancels, as far as it can.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box
from stitchbed.inspection.dpi.noise import OF_MEAN, WEAKER

WINDOW = 256  # px; a multiple of 8, so that the grid of lossy compression starts at a known place
CALM = 96  # px; bare paper between lines is rarely larger
FINE, COARSE = 0.8, 2.0  # px; the two blurs whose ratio tells how sharp an edge is: below noise, and well above it
EDGE_SHARE = 0.04  # of the pixels of a window that count as edge: the steepest
LEAST_EDGES = 60  # px; fewer say nothing
CLIP_MARGIN = 0.004  # of the range: one 8-bit code
OPEN_PX, OPEN_LEVEL = 5, 0.75  # px about a white one in which nothing is darker than that share of white
STEEP_LIMIT = 12.0  # gray levels (of 255): a step of a drawing, not of a block border
BLOCK = 8  # px; ITU-T T.81
BANDS = 16
PERIODS = (1 / 2, 1 / 3, 1 / 4, 1 / 5, 2 / 5)  # cycles/px of enlargements by 2, 3 or 1.5, 4/3, 1.25, 5/3
NEAR = 0.006  # cycles/px: one of them, as far as a window tells
ROUNDED = 0.6  # cycles over a picture: its size is a whole number of px before and after an enlargement
TRIMMED = 1.5576  # sigma over the mean of the lower nine tenths of |x| of a Gaussian (numerically)
SECOND = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)  # a second difference in both directions
CALMER = 25  # percentile of calm windows: drawing and grain are more
LEFT_OF_DOTS = (
    0.02  # of what a screen of dots differs by in a window its weakest wave has; screens made elsewhere: .01-.03
)


@dataclass(frozen=True)
class Trace:
    """A period that resampling or blocks left behind. axis 0 rows, 1 columns; frequency cycles/px; strength over the
    rest.

    locked : 0..1, how far it stays in step all over the picture if it is one of `PERIODS`: what is left by an
    enlargement lies the same to the pixels everywhere, a printed screen or rows of dots drift against them.
    """

    axis: int
    frequency: float
    strength: float
    locked: float = 1.0


def window_boxes(contrast: Floats, shape: tuple[int, int], *, count: tuple[int, int], calm: bool) -> list[Box]:
    """Boxes spread over a picture of shape (h, w) px: in each of count (rows, cols) parts the one with most contrast
    (WINDOW px), or with least (`calm`, CALM px). contrast : (rows, cols) of cells that cover the picture evenly. Boxes
    start at multiples of 8 px.
    """
    boxes = []
    for rows in np.array_split(np.arange(contrast.shape[0]), min(count[0], contrast.shape[0])):
        for cols in np.array_split(np.arange(contrast.shape[1]), min(count[1], contrast.shape[1])):
            part = contrast[np.ix_(rows, cols)]
            at = np.unravel_index(int(part.argmin() if calm else part.argmax()), part.shape)
            middle = (rows[at[0]] + 0.5) / contrast.shape[0], (cols[at[1]] + 0.5) / contrast.shape[1]
            boxes.append(_box_at(middle[0] * shape[0], middle[1] * shape[1], shape, CALM if calm else WINDOW))
    return list(dict.fromkeys(boxes))


def cell_contrast(gray: Floats, cell: float) -> Floats:
    """Spread of gray levels in cells of about `cell` px of a reduced view (h, w)."""
    size = max(1, round(gray.shape[1] / cell)), max(1, round(gray.shape[0] / cell))
    mean = cv2.resize(gray, size, interpolation=cv2.INTER_AREA)
    square = cv2.resize(gray * gray, size, interpolation=cv2.INTER_AREA)
    spread: Floats = np.sqrt(np.maximum(square - mean * mean, 0)).reshape(size[1], size[0])
    return spread


def noise_level(gray: Floats) -> float:
    """Standard deviation of noise in a calm window, gray levels, from what a second difference in both directions
    leaves.

    Reference: Immerkaer (1996), doi 10.1006/cviu.1996.0060. The steepest tenth is left out, as it may be drawing.
    """
    rest = np.abs(cv2.filter2D(gray, cv2.CV_32F, SECOND)[1:-1, 1:-1])
    kept = rest[rest <= np.quantile(rest, 0.9)]
    return float(kept.mean() * TRIMMED / 6.0)


def calm_noise(windows: Sequence[Floats]) -> tuple[float, float]:
    """The same of several calm windows of one scan, in some of which there is drawing or grain after all, and in each a
    printed screen of dots may be; and what of it is no trace of such dots for sure.
    """
    noise = np.array([min(noise_level(one), _beside_screen(one)) for one in windows])
    sure = np.maximum(noise - LEFT_OF_DOTS * np.array([float(one.std()) for one in windows]), 0)
    return float(np.percentile(noise, CALMER)), float(np.percentile(sure, CALMER))


def _beside_screen(gray: Floats) -> float:
    """Noise by the weakest of the waves that `noise_level` looks at.

    Reference: powers of white noise are independent and exponential, Brockwell & Davis (1991), "Time Series:
    Theory and Methods", sec. 10.3.
    """
    window, fine = _of_second(gray.shape)
    power = np.abs(np.fft.fft2((gray - gray.mean()) * window)) ** 2 / (window**2).sum()
    return float(np.sqrt(np.quantile(power[fine], WEAKER) / OF_MEAN))


@cache
def _of_second(shape: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """(h, w) a taper, and the waves that second differences show more than they do most."""
    rows, cols = (np.hanning(side + 2)[1:-1] for side in shape)
    told = np.abs(np.fft.fft2(SECOND, shape))
    return rows[:, None] * cols, np.asarray(told > np.median(told))


def edge_ratio(gray: Floats, noise: float) -> tuple[float, int] | None:
    """(ratio, edge pixels): slope of the steepest edges after a fine blur over that after a coarse one, 1 and more.

    None without edges above the noise. The ratio falls with blur; thin lines have more of it than steps, so it tells
    two
    captures of one place apart, and only roughly how sharp a single one is (see `blur_of`).
    Reference: Zhuo & Sim (2011), doi 10.1016/j.patcog.2011.03.009, with a first blur against noise.
    """
    fine, coarse = (_slope(np.asarray(cv2.GaussianBlur(gray, (0, 0), s), np.float32)) for s in (FINE, COARSE))
    # noise of sigma n has slope n / (sqrt(8 pi) a^2) after a blur a: 0.31 n at 0.8 px; ten times that is an edge
    floor = max(10 * 0.31 * noise, float(np.quantile(fine, 1 - EDGE_SHARE)))
    crest = (fine >= floor) & (fine > 0) & (fine >= cv2.dilate(fine, np.ones((3, 3), np.uint8)) * 0.999)
    count = int(crest.sum())
    if count < LEAST_EDGES:
        return None
    return float(np.median(fine[crest] / np.maximum(coarse[crest], 1e-6))), count


def blur_of(ratio: float) -> float:
    """Sigma px of the blur of a step edge with this `edge_ratio`: after blurs a and b the slopes are as
    sqrt(s2 + b2) to sqrt(s2 + a2). Reads low on thin lines.

    The slope itself, taken over two pixels, is a box with a variance of 1/3 px squared, which is taken off.
    """
    square = (COARSE**2 - ratio**2 * FINE**2) / max(ratio**2 - 1, 1e-3) - 1 / 3
    return float(np.sqrt(max(square, 0.0)))


def noise_bands(windows: Sequence[Floats], axis: int) -> NDArray[np.float64]:
    """Power along an axis in bands of 1/32 cycles/px up to half a cycle, (16,), gray levels squared, median of the
    windows.

    White noise of standard deviation s has s squared in every band.
    """
    table = []
    for window in windows:
        lines = window if axis == 1 else window.T
        level = lines - cv2.blur(lines, (25, 25))
        taper = np.hanning(level.shape[1])
        power = np.abs(np.fft.rfft(level * taper, axis=1)) ** 2 / (taper**2).sum()
        middle = np.median(power[:, 1:], axis=0) / np.log(2)  # a median of an exponential is log 2 of its mean
        table.append([part.mean() for part in np.array_split(middle, BANDS)])
    return np.asarray(np.median(table, axis=0))


def clipped(stored: NDArray[Any]) -> tuple[float, float]:
    """(black, white) shares of pixels at the very ends where they pile up, worst channel.

    Pixels that merely reach an end are not counted: the last code must hold three times what the next ones hold. Nor
    are white ones beside a line, to which a scanner's sharpening lifts paper that has room above it: nothing is lost.
    """
    black, white = clipped_each(stored[None])[0].tolist()
    return black, white


def clipped_each(squares: NDArray[Any]) -> NDArray[np.float64]:
    """(n, 2) the same of each of (n, h, w, c) stored pixels."""
    top = int(np.iinfo(squares.dtype).max)
    step = max(1, round(top * CLIP_MARGIN))
    worst = np.zeros((len(squares), 2))
    for channel in range(squares.shape[3]):
        values = squares[..., channel].astype(np.int32)
        darkest = [cv2.erode(square, np.ones((OPEN_PX, OPEN_PX))) for square in squares[..., channel]]
        open_ = np.array(darkest).reshape(values.shape) > OPEN_LEVEL * top
        for end, (distance, there) in enumerate(((values, np.ones_like(open_)), (top - values, open_))):
            last = ((distance < step) & there).sum((1, 2))
            near = ((distance >= step) & (distance < 4 * step) & there).sum((1, 2)) / 3
            share = np.where(last > 3 * near, last / (squares.shape[1] * squares.shape[2]), 0.0)
            worst[:, end] = np.maximum(worst[:, end], share)
    return worst


def block_trace(windows: Sequence[Floats]) -> Trace:
    """How much more neighbors differ across one of the eight phases of 8 px than across the others.

    strength : excess over the mean of the other phases, in their standard deviations; windows start at multiples of 8.
    """
    best = Trace(0, 1 / BLOCK, 0.0)
    for axis in (0, 1):
        table = np.stack([_phase_steps(window, axis) for window in windows])
        means = table.mean(0)
        for phase in range(BLOCK):
            others = np.delete(means, phase)
            strength = float((means[phase] - others.mean()) / max(others.std(), 0.004 * others.mean(), 1e-6))
            if strength > best.strength:
                best = Trace(axis, 1 / BLOCK, strength)
    return best


def resampling_traces(windows: Sequence[Floats], starts: Sequence[tuple[int, int]] | None = None) -> list[Trace]:
    """Periods in the strength of differences, which interpolation leaves and a sensor does not; strongest first.

    windows : all of one size. starts : (row, col) px of each in the picture; without them nothing is told of `locked`.
    Second differences show most factors; a doubling whose new pixels lie a quarter beside the old ones, and repeated
    pixels, show in first differences only. Reference: Gallagher (2005), doi 10.1109/CRV.2005.33.
    """
    found = []
    for axis, order in ((0, 1), (0, 2), (1, 1), (1, 2)):
        changes = [_changes_along(window, axis, order) for window in windows]
        power = np.mean([np.abs(np.fft.rfft(each)) ** 2 for each in changes], axis=0)
        frequency = np.arange(len(power)) / (2.0 * (len(power) - 1))
        floor = _running_median(power, 15)
        strength = np.sqrt(power / np.maximum(floor, 1e-12))
        for index in np.flatnonzero(strength > 1):
            near = strength[max(0, index - 2) : index + 3]
            if frequency[index] > 0.08 and strength[index] == near.max():
                locked = _locked(changes, float(frequency[index]), [start[axis] for start in starts or ()])
                found.append(Trace(axis, float(frequency[index]), float(strength[index]), locked))
    return sorted(found, key=lambda trace: -trace.strength)


def _locked(changes: Sequence[NDArray[np.float64]], frequency: float, starts: Sequence[int]) -> float:
    """Length of the sum of all windows' amplitudes at the period nearby over the sum of their lengths, the most of what
    periods tell that are off by less than `ROUNDED` over all of the windows.
    """
    exact = min(PERIODS, key=lambda period: abs(period - frequency))
    if not starts or abs(exact - frequency) >= NEAR:
        return 1.0
    places = [start + np.arange(len(each)) for start, each in zip(starts, changes, strict=True)]
    waves = [(each * np.exp(-2j * np.pi * exact * at)).sum() for each, at in zip(changes, places, strict=True)]
    middles = np.array([at.mean() for at in places])
    off = np.linspace(-ROUNDED, ROUNDED, 9)[:, None] / max(1.0, float(np.ptp(middles)))
    together = np.abs((waves * np.exp(-2j * np.pi * off * middles)).sum(1)).max()
    return float(together / max(float(np.abs(waves).sum()), 1e-12))


def _box_at(row: float, col: float, shape: tuple[int, int], most: int) -> Box:
    side = min(most, shape[0] // BLOCK * BLOCK, shape[1] // BLOCK * BLOCK)
    top = min(max(0, round(row - side / 2)), shape[0] - side)
    left = min(max(0, round(col - side / 2)), shape[1] - side)
    return Box(top // BLOCK * BLOCK, left // BLOCK * BLOCK, side, side)


def _slope(gray: Floats) -> Floats:
    dx = cv2.filter2D(gray, cv2.CV_32F, np.array([[-0.5, 0, 0.5]], np.float32))
    dy = cv2.filter2D(gray, cv2.CV_32F, np.array([[-0.5], [0], [0.5]], np.float32))
    return np.asarray(cv2.magnitude(dx, dy), np.float32)


def _phase_steps(window: Floats, axis: int) -> NDArray[np.float64]:
    """(8,) mean step between neighbors at each phase, relative to the mean of all."""
    steps = np.minimum(np.abs(np.diff(window, axis=axis)), STEEP_LIMIT)
    along = steps.mean(1 - axis)
    usable = len(along) // BLOCK * BLOCK
    phases = along[:usable].reshape(-1, BLOCK).astype(np.float64)
    return np.asarray(phases.mean(0) / max(float(phases.mean()), 1e-6))


def _changes_along(window: Floats, axis: int, order: int) -> NDArray[np.float64]:
    """Mean absolute difference of an order at each place along an axis, over their mean, faded out at the ends."""
    steps = np.abs(np.diff(window, n=order, axis=axis))
    along = np.minimum(steps, STEEP_LIMIT).mean(1 - axis).astype(np.float64)
    even = along[: len(along) // 2 * 2]
    level = float(even.mean())
    return np.asarray((even - level) * np.hanning(len(even)) / max(level, 1e-4))


def _running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    half = width // 2
    padded = np.pad(values, half, mode="reflect")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))
