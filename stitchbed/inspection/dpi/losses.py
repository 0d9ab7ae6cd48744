"""I say how much of a sheet loses more than its noise at a lower resolution.

In: the most detailed scan, read in bands. Out: per step the share of the sheet that loses, and where.

The sheet is cut into squares of PLACE_MM. A square loses at a step when what is gone after reducing the scan to that
step (mean of each area) and enlarging it again (bicubic) is stronger, root mean square and with the noise's own share
taken off, than the noise of the scan. Where bare paper loses its grain too, a square has to lose clearly more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, grown
from stitchbed.imaging.gray import unrounded_gray_of
from stitchbed.inspection.dpi.noise import apart_of, fine_power, lost_power, mean_powers, weaker_powers
from stitchbed.inspection.looks import PictureWindows

PLACE_MM = 0.5  # of a drawing, about what is looked at by itself; smaller squares hold too few pixels to tell
LEAST_PLACE = 12  # px a square's side: fewer pixels do not tell detail from noise
POOL = 2  # squares a side that noise is read from together
RIM_MM, RIM_SHARE = 2.5, 0.08  # left out all around, at most a share of a side: the sheet's own edge is no drawing
STRIP = 512  # px of rows read at a time, about
SHARE = 0.01  # of the sheet that may lose more than its noise
CALM_SHARE = 0.2  # of the squares, the calmest, from which noise and grain are read
LEAST_NOISE, MOST_NOISE = 0.3, 3.0  # gray levels: rounding to 8 bits, and what FADGI 2016 allows at four star
MOST_GRAIN = 4.0  # gray levels; calm squares with more are drawn on: screens, hatching
GRAIN_SPREAD = 2.0  # times the mean power of grain that hardly a square of bare paper exceeds
DOUBT = 0.9  # of what is allowed; a square nearer to it than its noise lets one tell counts as losing
ENDS = 3.0, 252.0  # gray levels; squares beyond are cut off and show no noise
HALF = 2.0  # the reduction whose loss shows the noise: no optics resolve what lies beyond half of a top resolution


@dataclass(frozen=True)
class Power:
    """Lost power (rows, cols) of each square, gray levels squared, per reduction. mean : gray level of each square.

    side : px of a square. corner : (x, y) px of the first square's corner. weaker : (windows, rings) power between the
    periods of what is drawn, see `noise`; no windows of a scan smaller than one.
    """

    lost: dict[float, Floats]
    mean: Floats
    side: int
    corner: tuple[int, int]
    weaker: Array


@dataclass(frozen=True)
class Loss:
    """At one dpi. share : of the sheet that loses more than its noise. worst : gray levels (rms) lost by the worst
    hundredth of the sheet. grain : gray levels (rms) of bare paper that are lost. excess : (rows, cols) lost power over
    what is allowed, 1 and more loses.
    """

    dpi: float
    share: float
    worst: float
    grain: float
    excess: Floats


def place_px(dpi: float) -> int:
    """Pixels of a square's side."""
    return max(LEAST_PLACE, round(PLACE_MM / MM_PER_INCH * dpi))


def power_of(windows: PictureWindows, dpi: float, steps: Sequence[float]) -> Power:
    """Lost power of a whole scan (its rim left out) at each step (dpi) and when halved."""
    side = place_px(dpi)
    inner = _inner(windows.raster.shape[:2], dpi, side)
    reductions = sorted({HALF, *(dpi / step for step in steps)})
    tall = max(1, STRIP // side) * side
    strips = []
    weaker: list[Array] = []
    apart = apart_of((inner.height, inner.width))
    for top in range(inner.row, inner.bottom, tall):
        part = Box(top, inner.col, min(tall, inner.bottom - top), inner.width)
        # a square more all around: what is gone at a strip's end would come from its being cut off there
        gray = unrounded_gray_of(windows.window(grown(part, side)))
        inside = slice(side, -side), slice(side, -side)
        lost = [_means(_gone(gray, reduction)[inside] ** 2, side) for reduction in reductions]
        strips.append([*lost, _means(gray[inside], side)])
        weaker += weaker_powers(gray[inside], apart)
    tables = [np.concatenate(parts) for parts in zip(*strips, strict=True)]
    lost_by = dict(zip(reductions, tables[:-1], strict=True))
    return Power(lost_by, tables[-1], side, (inner.col, inner.row), np.array(weaker))


def _inner(shape: tuple[int, int], dpi: float, side: int) -> Box:
    """What is judged: whole squares, the rim left out; wider than a square, so that every square has a surround."""
    rim = [max(side, round(min(RIM_MM / MM_PER_INCH * dpi, RIM_SHARE * length))) for length in shape]
    rows, cols = ((length - 2 * edge) // side * side for length, edge in zip(shape, rim, strict=True))
    return Box(rim[0], rim[1], rows, cols)


def noise_of(power: Power) -> float:
    """Noise of a scan, gray levels: what its calmest parts lose when it is halved, or what is lost between the periods
    of a drawing that leaves no part calm.
    """
    lost, mean = (_means(values, POOL) for values in (power.lost[HALF], power.mean))
    lit = (mean > ENDS[0]) & (mean < ENDS[1])
    calm = float(np.quantile(lost[lit] if lit.any() else lost, CALM_SHARE / 2)) / noise_share(HALF, power.side)
    if len(power.weaker):
        calm = min(calm, float(np.quantile(fine_power(power.weaker), CALM_SHARE / 2)))
    return float(np.clip(np.sqrt(calm), LEAST_NOISE, MOST_NOISE))


def losses(power: Power, dpi: float, steps: Sequence[float]) -> tuple[float, list[Loss]]:
    """(noise, a loss per step below dpi)."""
    noise = noise_of(power)
    coarse = power.lost[dpi / min(steps)]
    calm = coarse <= np.quantile(coarse, CALM_SHARE)
    found = []
    for step in steps:
        own = power.lost[dpi / step] - noise_share(dpi / step, power.side) * noise**2
        found.append(_loss(own, noise, step, min(_grain(own, calm), _grain_between(power, noise, dpi / step))))
    return noise, found


def advised(found: Sequence[Loss], top: float) -> float:
    """The lowest dpi at which no more than SHARE of the sheet loses, `top` where each step loses more."""
    return min((loss.dpi for loss in found if loss.share <= SHARE), default=top)


def time_ratio(dpi: float, base: float) -> tuple[float, float]:
    """(least, most) times a scan takes over one at `base`: rows grow with dpi, transfer with its square."""
    ratio = dpi / base
    return min(ratio, ratio**2), max(ratio, ratio**2)


def noise_share(reduction: float, side: int) -> float:
    """Share of the power of white noise that is gone after reducing and enlarging, measured on a field of noise."""
    field = np.random.default_rng(0).standard_normal((8 * side, 8 * side)).astype(np.float32)
    return float((_gone(field, reduction) ** 2)[side:-side, side:-side].mean())


def _loss(own: Floats, noise: float, step: float, grain: float) -> Loss:
    """own : (rows, cols) power lost beside the noise's. grain : power of it that is the paper's."""
    excess = own / (noise**2 + GRAIN_SPREAD * grain)
    worst = float(np.sqrt(max(0.0, float(np.quantile(own, 1 - SHARE)))))
    return Loss(step, float((excess > DOUBT).mean()), worst, float(np.sqrt(grain)), excess.astype(np.float32))


def _grain(own: Floats, calm: Mask) -> float:
    """Power that calm squares lose beside the noise's."""
    grain = max(0.0, float(own[calm].mean()))
    return grain if grain <= MOST_GRAIN**2 else 0.0


def _grain_between(power: Power, noise: float, reduction: float) -> float:
    """Power lost beside the noise's between the periods of what is drawn; what lies in them is no grain of paper."""
    if not len(power.weaker):
        return float("inf")
    field = np.random.default_rng(0).standard_normal((8 * power.side, 8 * power.side)).astype(np.float32)
    share = mean_powers(_gone(field, reduction))
    fine = fine_power(power.weaker)
    calm = power.weaker[fine <= np.quantile(fine, CALM_SHARE)]
    return max(0.0, lost_power(calm - noise**2, share))


def _gone(gray: Floats, reduction: float) -> Floats:
    size = gray.shape[1], gray.shape[0]
    small_size = max(2, round(size[0] / reduction)), max(2, round(size[1] / reduction))
    small = cv2.resize(gray, small_size, interpolation=cv2.INTER_AREA)
    return np.asarray(gray - cv2.resize(small, size, interpolation=cv2.INTER_CUBIC), np.float32)


def _means(values: Floats, side: int) -> Floats:
    size = values.shape[1] // side, values.shape[0] // side
    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_AREA), np.float32).reshape(size[1], size[0])
