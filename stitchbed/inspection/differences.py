"""I look at what one of two scans shows where the other does not: stripes, dust, smears.

In: two views laid on each other. Out: frozen numbers per pair, the drawing canceled out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.core.memory import late
from stitchbed.imaging.box import Box, shifted
from stitchbed.imaging.gray import blurred
from stitchbed.inspection.fineness import CELL, jagged, smeared
from stitchbed.inspection.glass import SPECK_PX
from stitchbed.inspection.looks import Glance
from stitchbed.inspection.overlaps import EDGE_SHARE
from stitchbed.inspection.patches import Overlay, overlay, view_motion
from stitchbed.inspection.specks import lone_specks
from stitchbed.inspection.tones import TONE, exposed_alike, some, tone_free
from stitchbed.matching.robust import robust_spread

ndimage = late("scipy.ndimage")

WIDE = 20.0  # view px; what is broader is light
CLIP = 2.5  # times the usual difference: edges that do not quite meet must not drown what is everywhere
SLOWEST, FASTEST = 1 / 80, 0.45  # cycles/view px
FEW_CYCLES, FEW_OVER = 4.0, 3.0  # on an overlap: what turns fewer times may be light at its two ends, unless so strong
PEAK_OVER = 120.0  # times the middle power, what chance and drawing do not reach
LEAST_AMPLITUDE = 1.2  # gray levels
MINE = 2.0  # times the other's amplitude
WAVE_NEAR = 0.03  # of a wave's frequency: two scans of it differ by as much
PARTS, IN_A_PART = 4, 0.4  # along each side of a view; share of a wave's usual strength that all parts but one have
AXIS_SHARE = 0.06  # of a frequency across the axis: nearer to it, stripes lie along it
BANDS_OVER, LEAST_BAND = 400.0, 0.006  # times the middle power, and of the light: scans of one place stay below a third
# Numbers of turns beside a wave that it takes part in; others that must be known; times what these show: bands over a
# printed page 4 to 5, pages alike 1.6 at most.
OWN_WIDTH, LEAST_NEAR, WAVE_OVER = 2, 4, 2.5
ALSO_OVER = 100.0  # times the middle power: enough for a wave that another pair shows surely
ASIDE = 1.0  # view px that two views may lie aside from each other


@dataclass(frozen=True)
class Stripes:
    """amplitude : gray levels. period : view px. along : "rows" or "columns" they lie along, "" when slanted. sure : no
    drawing shows so much; what is not counts beside a sure one of its period. step : cycles/view px from one wave that
    was tried to the next. wave : that of a wave down and across in the own view of the piece, where it is known.
    """

    amplitude: float
    period: float
    along: str
    sure: bool = True
    step: float = 0.0
    wave: tuple[float, float] | None = None

    def confirms(self, other: Stripes) -> bool:
        """True of the same wave, as far as its period is known."""
        apart = abs(1 / self.period - 1 / other.period)
        return self.along == other.along and apart <= max(self.step, other.step)


@dataclass(frozen=True)
class Sight:
    """What one scan shows alone on an overlap. specks : lone ones, darker or lighter, of `all_specks` by which the two
    differ. area : view px on which a speck would stand alone. smeared : cells of the largest patch that is soft here
    only. fine : log of what it shows of fine drawing over the other one.
    """

    stripes: Stripes | None
    specks: int
    all_specks: int
    area: float
    smeared: int
    fine: float = 0.0


@dataclass(frozen=True)
class Difference:
    """a, b : indices. own_a, own_b : what each shows alone. leaning, jagged : see `fineness`, None where that is not
    known.
    """

    a: int
    b: int
    own_a: Sight
    own_b: Sight
    leaning: float | None = None
    jagged: float | None = None


def difference_of(
    looks: Sequence[Glance], pair: tuple[int, int], b_from_a: Array, laid: Overlay | None = None
) -> Difference | None:
    """What differs between two looks; None where they hardly overlap. laid : the looks on each other, where known."""
    laid = laid or overlay(looks[pair[0]], looks[pair[1]], b_from_a)
    rows, cols = (np.flatnonzero(laid.both.any(axis)) for axis in (1, 0))
    if len(rows) < 3 * CELL or len(cols) < 2 * CELL:
        return None
    part = Box(int(rows[0]), int(cols[0]), int(np.ptp(rows)) + 1, int(np.ptp(cols)) + 1)
    seen = shifted(part, *laid.corner)
    laid = Overlay(laid.a[part.slices], laid.b[part.slices], _eroded(laid.both[part.slices], SPECK_PX))
    stripes = _stripes(looks, pair, b_from_a, laid)
    if all(one is None or one.along == "rows" for one in stripes):
        # whole rows tell better whose bands they are than the overlap alone does, where drawing hides them
        bands = _banded(looks, pair, b_from_a, laid)
        stripes = bands if any(one and one.sure for one in bands) or not any(stripes) else stripes
    lying = _lying(looks, pair, b_from_a, seen.slices)
    specks = lone_specks(laid, lying)
    alike = exposed_alike(laid)
    soft, fine, leans = smeared(alike, lying)
    own = [Sight(stripes[side], *specks[side], soft[side], (fine, -fine)[side]) for side in (0, 1)]
    if _quarter_turned(b_from_a):  # a scanner is not as sharp along as across
        return Difference(*pair, own[0], own[1])
    return Difference(*pair, own[0], own[1], leans, jagged(alike))


def _quarter_turned(b_from_a: Array) -> bool:
    return bool(abs(b_from_a[0, 1]) > abs(b_from_a[0, 0]))


def _eroded(mask: Mask, by: int) -> Mask:
    return np.asarray(cv2.erode(mask.astype(np.uint8), np.ones((2 * by + 1,) * 2), borderValue=0) > 0)


def _stripes(
    looks: Sequence[Glance], pair: tuple[int, int], b_from_a: Array, laid: Overlay
) -> tuple[Stripes | None, Stripes | None]:
    """A period in the difference of two views, given to the one that shows it, there and all over."""
    levels = [view - blurred(view, WIDE) for view in (laid.a, laid.b)]
    rest = levels[0] - levels[1]
    spectrum = _spectrum(rest, laid.both)
    rows, cols, speed, known = _frequencies(rest.shape)
    every = np.abs(spectrum) ** 2
    power = np.where(known, every, 0)
    at = np.unravel_index(int(power.argmax()), power.shape)
    area = max(1.0, float(laid.both.sum()))
    amplitude = 2 * float(np.abs(spectrum[at])) / area
    slope = power[at] < max(every[at[0] - 1, at[1]], every[(at[0] + 1) % len(every), at[1]])  # of slower light
    turns = max(abs(float(rows[at[0], 0])) * len(rows), float(cols[0, at[1]]) * rest.shape[1])
    if slope or amplitude < LEAST_AMPLITUDE * _surer(turns) or power[at] < PEAK_OVER * float(np.median(power[known])):
        return None, None
    each = [2 * float(np.abs(_spectrum(values, laid.both)[at])) / area for values in levels]
    down, across = float(rows[at[0], 0]), float(cols[0, at[1]])
    # in whole views: laid on another one a view loses what is finest, as the dots of a printed screen
    there = np.linalg.inv(view_motion(looks[pair[0]], looks[pair[1]], b_from_a)[:2, :2]).T @ (across, down)
    waves = (down, across), (float(there[1]), float(there[0]))
    mine = [each[side] > MINE * each[1 - side] for side in (0, 1)]
    if any(mine):
        whole = [strength(looks[index], *wave) for index, wave in zip(pair, waves, strict=True)]
        mine = [mine[side] and whole[side] > MINE * whole[1 - side] for side in (0, 1)]
    found = Stripes(amplitude, 1 / float(speed[at]), _along(abs(down), across))
    own = [replace(found, wave=wave) if told else None for told, wave in zip(mine, waves, strict=True)]
    return own[0], own[1]


def strength(look: Glance, down: float, across: float, measure: Callable[[Floats], Array] | None = None) -> float:
    """Gray levels of the strongest wave of a view about as fast (cycles/px down and across) and that way turned, as
    `measure` tells them: `_amplitudes` or `_whole_amplitudes`.
    """
    fine = _fine(look)
    rows, cols, _, _ = _frequencies(fine.shape)
    reach = WAVE_NEAR * float(np.hypot(down, across)) + 2 / min(fine.shape)
    near = np.minimum(np.hypot(rows - down, cols - across), np.hypot(rows + down, cols + across)) < reach
    return float((measure or _amplitudes)(fine)[near].max(initial=0.0))


def lone_stripes(looks: Sequence[Glance], index: int) -> Stripes | None:
    """A period all over a piece that lies on no other, which stripes themselves may be the reason of; no other piece of
    its size has it, as a printed screen that lies a little askew.
    """
    fine = _fine(looks[index])
    own = _amplitudes(fine)
    rows, cols, speed, known = _frequencies(fine.shape)
    at = np.unravel_index(int(np.where(known, own, 0).argmax()), own.shape)
    down, across = float(rows[at[0], 0]), float(cols[0, at[1]])
    if own[at] < LEAST_AMPLITUDE or own[at] ** 2 < PEAK_OVER * float(np.median(own[known] ** 2)):
        return None
    if not _everywhere(fine, down, across):
        return None
    alike = [look for k, look in enumerate(looks) if k != index and look.shape == looks[index].shape]
    # lines of letters out of focus are held less than sharp ones are, and only seem to be a stronger wave
    for measure in (_amplitudes, _whole_amplitudes):
        shared = max((strength(look, down, across, measure) for look in alike), default=np.inf)
        if measure(fine)[at] < MINE * shared:
            return None
    return Stripes(float(own[at]), 1 / float(speed[at]), _along(abs(down), across))


def _fine(look: Glance) -> Floats:
    """A view without what is broad, as its light."""
    gray = look.gray.astype(np.float32)
    return np.asarray(gray - blurred(gray, WIDE), np.float32)


def _amplitudes(fine: Floats) -> Array:
    """Of each wave of a view, gray levels, strokes held to what is usual."""
    return np.asarray(2 * np.abs(_spectrum(fine, np.ones(fine.shape, bool))) / fine.size)


def _whole_amplitudes(fine: Floats) -> Array:
    """The same with strokes as strong as they are."""
    return np.asarray(2 * np.abs(np.fft.rfft2(fine)) / fine.size)


def _frequencies(shape: tuple[int, ...]) -> tuple[Array, Array, Array, Mask]:
    """Of a `_spectrum`, cycles/px: down (h, 1), across (1, w), in all (h, w), and whether stripes may have them."""
    rows = np.asarray(np.fft.fftfreq(shape[0]), np.float64)[:, None]
    cols = np.asarray(np.fft.rfftfreq(shape[1]), np.float64)[None]
    speed = np.asarray(np.hypot(rows, cols), np.float64)
    return rows, cols, speed, np.asarray((speed > SLOWEST) & (speed < FASTEST))


def _everywhere(fine: Floats, down: float, across: float) -> bool:
    """True where a wave (cycles/px down and across) is in nearly all parts of a view: drawn lines leave some bare."""
    y, x = np.arange(fine.shape[0])[:, None], np.arange(fine.shape[1])[None]
    usual = CLIP * (robust_spread(fine) + 0.5)
    turned = np.clip(fine, -usual, usual) * np.exp(-2j * np.pi * (down * y + across * x))
    parts = [part for band in np.array_split(turned, PARTS, 0) for part in np.array_split(band, PARTS, 1)]
    strength = np.array([abs(part.mean()) for part in parts])
    return bool((strength > IN_A_PART * np.median(strength)).sum() > PARTS**2 - 2)


def _along(down: float, across: float) -> str:
    """What stripes of a frequency (cycles/px down and across) lie along."""
    return "rows" if across < AXIS_SHARE * down else "columns" if down < AXIS_SHARE * across else ""


def _banded(
    looks: Sequence[Glance], pair: tuple[int, int], b_from_a: Array, laid: Overlay
) -> tuple[Stripes | None, Stripes | None]:
    """Bands across the travel, in a share of the light and so under any drawing: the ratio of tones, row by row, given
    to the view whose rows have them over its whole width.
    """
    if _quarter_turned(b_from_a) or len(laid.both) < 2 * WIDE:
        return None, None
    tones = [np.log(np.maximum(view, 0) + TONE) for view in (laid.a, laid.b)]  # laid on finely, a view may pass below 0
    power, speed = _row_power(tone_free(tones[0] - tones[1], tones[0] + tones[1], laid.both), laid.both)
    known = (speed > SLOWEST) & (speed < FASTEST)
    at = int(np.where(known, power, 0).argmax())
    amplitude = float(np.sqrt(power[at]))
    slope = power[at] < power[at - 1]  # of slower light
    over = float(power[at]) / max(1e-12, float(np.median(power[known])))
    least = LEAST_BAND * _surer(at)  # the number of a frequency is that of its turns
    if slope or over < ALSO_OVER or amplitude < least:
        return None, None
    drawn = np.minimum(*(np.sqrt(ndimage.maximum_filter1d(_row_power(tone, laid.both)[0], 3)) for tone in tones))
    # what both show, as the dots of a printed screen, laid a little aside
    aside = amplitude < 2 * np.sin(np.pi * min(ASIDE * float(speed[at]), 0.5)) * drawn[at]
    if aside and not _stands_out(np.sqrt(power) / np.maximum(drawn, 1e-9), at):
        return None, None
    levels = amplitude * float(np.median(laid.a[laid.both]))
    found = Stripes(levels, 1 / float(speed[at]), "rows", over > BANDS_OVER, float(speed[1]))
    mine = []
    for index in pair:
        gray = looks[index].gray.astype(np.float32)
        whole, speeds = _row_power(np.log(gray + TONE), np.ones_like(gray, bool))
        mine.append(float(np.interp(speed[at], speeds, np.maximum(whole, np.roll(whole, 1)))))
    least = 1 / MINE**2
    return (found if mine[0] > least * mine[1] else None), (found if mine[1] > least * mine[0] else None)


def _stands_out(share: Array, at: int) -> bool:
    """True of a wave that takes far more of what both show than those about as fast do: what is drawn, laid a little
    aside, loses about as much of each of them. share : (n,) by the number of turns. at : that of the wave."""
    number = np.arange(len(share))
    near = (number > at / 2) & (number < 2 * at) & (np.abs(number - at) > OWN_WIDTH)
    return near.sum() >= LEAST_NEAR and bool(share[at] > WAVE_OVER * share[near].max())


def _surer(turns: float) -> float:
    """By how much stronger a wave must be that turns so often on an overlap."""
    return FEW_OVER if turns < FEW_CYCLES else 1.0


def _row_power(values: Floats, mask: Mask) -> tuple[Array, Array]:
    """(power, cycles/px) of the mean of rows within a mask: the square of a wave's amplitude."""
    inside = some(values[mask])
    usual = CLIP * (robust_spread(inside) + 1e-3)
    held = np.where(mask, np.clip(values - np.median(inside), -usual, usual), 0)
    rows = held.sum(1, dtype=np.float64) / np.maximum(mask.sum(1), 1)
    fine = rows - cv2.GaussianBlur(rows[:, None], (0, 0), WIDE)[:, 0]
    taper = np.hanning(len(fine))
    power = (2 * np.abs(np.fft.rfft(fine * taper)) / taper.sum()) ** 2
    return np.asarray(power, np.float64), np.asarray(np.fft.rfftfreq(len(fine)), np.float64)


def _spectrum(values: Floats, mask: Mask) -> np.ndarray[tuple[int, ...], np.dtype[np.complex128]]:
    inside = some(values[mask])
    usual = robust_spread(inside) + 0.5
    held = np.where(mask, np.clip(values - np.median(inside), -CLIP * usual, CLIP * usual), 0)
    return np.asarray(np.fft.rfft2(held))


def _lying(
    looks: Sequence[Glance], pair: tuple[int, int], b_from_a: Array, part: tuple[slice, slice]
) -> tuple[Mask, Mask]:
    """Where each view is so far from its own sides that the sheet lies flat, in a part of a's."""
    a, b = looks[pair[0]], looks[pair[1]]
    inner = []
    for view in (a.gray, b.gray):
        rim = round(EDGE_SHARE * max(view.shape))
        inside = np.zeros(view.shape, np.uint8)
        inside[rim:-rim, rim:-rim] = 1
        inner.append(inside)
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    there = cv2.warpAffine(inner[1], view_motion(a, b, b_from_a)[:2], a.gray.shape[::-1], flags=flags)
    return np.asarray(inner[0][part] > 0), np.asarray(there[part] > 0)
