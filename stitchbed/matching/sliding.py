"""I propose motions by sliding one whole picture over another, where no points are found that both show.

In: leveled pictures of two pieces. Out: the motions under which they agree most, to be judged.

Halftones, washes and hatching have drawing everywhere and points nowhere. The pictures are reduced to a millimeter or
so, turned by every turn that a piece laid by hand may have, and correlated at every shift by Fourier transforms, each
shift normalized by what lies in its overlap. Reference: Padfield (2012), doi 10.1109/TIP.2011.2181402 (masked
normalized cross-correlation in the Fourier domain).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.core.memory import late
from stitchbed.imaging.transforms import similarity_matrix
from stitchbed.matching.laid_over import leveled, overlap_of
from stitchbed.matching.overlap_evidence import Detail, EvidenceSettings

fft = late("scipy.fft")

NEAR_SHARE = 0.015  # of the smaller piece that must overlap where a person has said about where
PEAK_PX = 4  # px of the reduced pictures within which two shifts are one
OWN_MM = 0.75  # a motion is off by less; what fits farther off is another line


@dataclass(frozen=True)
class SlidingSettings:
    """pixel_mm: of the pictures that are slid. tilt_degrees: how far from upright or upside down a piece may lie:
    two laid by hand are turned against each other by up to twice what each is; step_degrees: turns tried, so that ends
    of a 200 mm overlap stay within a millimeter. least_share: of the smaller
    piece that must overlap. most: motions proposed.
    """

    pixel_mm: float = 0.75
    tilt_degrees: float = 4.5
    step_degrees: float = 0.75
    least_share: float = 0.06
    most: int = 3
    larger: float = 0.25


def slid(details: tuple[Detail, Detail], scale: float, settings: SlidingSettings) -> list[Array]:
    """Motions b_from_a (3x3, full-resolution px), the one under which the pictures agree most first.

    scale : expected magnification from a to b.
    """
    (one, step_a), (two, step_b) = (reduced(detail, settings.pixel_mm) for detail in details)
    count = round(settings.tilt_degrees / settings.step_degrees)
    tilts = np.arange(-count, count + 1) * settings.step_degrees
    shape = [fft.next_fast_len(one.shape[k] + int(np.hypot(*two.shape)) + 2, real=True) for k in (0, 1)]
    seen = _spectra(one, np.ones_like(one), shape)
    found: list[tuple[float, Array]] = []
    for turn in np.concatenate([tilts, 180 + tilts]):
        turned, mask, one_from_two = _turned(two, float(turn))
        score = _correlation(
            seen, _spectra(turned, mask, shape), shape, settings.least_share * min(one.size, two.size), settings.larger
        )
        for value, row, col in _peaks(score, settings.most):
            shift = np.array([[1, 0, col], [0, 1, row], [0, 0, 1.0]])
            found.append((value, shift @ one_from_two))
    found.sort(key=lambda item: -item[0])
    return [_full(item, (step_a, step_b), scale) for _, item in found[: settings.most]]


def slid_near(
    details: tuple[Detail, Detail],
    guess: Array,
    reach_mm: float,
    settings: SlidingSettings,
    *,
    tilt_degrees: float,
    distinct: bool = False,
    least: float = NEAR_SHARE,
) -> list[Array]:
    """The same, only motions that put b's middle within reach_mm of where a guess (3x3 b_from_a) does, turned by no
    more than tilt_degrees against it; however little the two then share.

    distinct : of motions that differ by their turn only the best. least : share of the smaller piece that must overlap.
    """
    (one, step_a), (two, step_b) = (reduced(detail, settings.pixel_mm) for detail in details)
    reach = reach_mm / details[0].strokes.pixel_mm * details[0].strokes.step / step_a
    small_a, small_b = small_from_full(step_a), small_from_full(step_b)
    a_from_b = small_a @ np.linalg.inv(guess) @ np.linalg.inv(small_b)
    middle = (np.array(two.shape[::-1]) - 1) / 2
    aim = a_from_b[:2, :2] @ middle + a_from_b[:2, 2]
    turn = float(np.degrees(np.arctan2(a_from_b[1, 0], a_from_b[0, 0])))
    count = max(1, round(tilt_degrees / settings.step_degrees))
    shape = [fft.next_fast_len(one.shape[k] + int(np.hypot(*two.shape)) + 2, real=True) for k in (0, 1)]
    seen = _spectra(one, np.ones_like(one), shape)
    found: list[tuple[float, Array]] = []
    for tilt in np.linspace(-tilt_degrees, tilt_degrees, 2 * count + 1):
        turned, mask, one_from_two = _turned(two, turn + float(tilt))
        score = _correlation(
            seen, _spectra(turned, mask, shape), shape, least * min(one.size, two.size), settings.larger
        )
        start = aim - (one_from_two[:2, :2] @ middle + one_from_two[:2, 2])
        score = np.where(_within(score.shape, start, reach), score, -1.0)
        for value, row, col in _peaks(score, settings.most):
            shift = np.array([[1, 0, col], [0, 1, row], [0, 0, 1.0]])
            found += [(value, shift @ one_from_two)] if value > 0 else []
    found.sort(key=lambda item: -item[0])
    found = _distinct(found, middle) if distinct else found
    scale = float(np.hypot(guess[0, 0], guess[1, 0]))
    return [_full(item, (step_a, step_b), scale) for _, item in found[: settings.most]]


def fits_aside(
    b_from_a: Array, details: tuple[Detail, Detail], reach_mm: float, settings: EvidenceSettings
) -> tuple[float, list[tuple[float, float]]]:
    """Likeness -1..1 of two pieces under a motion (3x3, full-resolution px), and likeness and mm of each shift of up to
    reach_mm from there that fits better than all next to it: fine lines side by side fit one line farther."""
    one, two = details[0].plain, details[1].plain
    overlap = overlap_of(b_from_a, one, two, settings.rim_mm)
    reach = round(reach_mm / one.pixel_mm)
    if overlap is None or min(overlap.here.shape) <= 2 * reach:
        return 0.0, []
    overlap = leveled(overlap, settings.ground_mm / one.pixel_mm)
    seen = np.isfinite(overlap.there).astype(np.float32)
    shape = [fft.next_fast_len(length + reach + 1, real=True) for length in overlap.here.shape]
    pictures = _spectra(overlap.here, np.ones_like(seen), shape), _spectra(np.nan_to_num(overlap.there), seen, shape)
    around = np.arange(-reach - 1, reach + 2)
    table = _correlation(*pictures, shape, 0.3 * float(seen.sum()), 0.0)[np.ix_(around, around)]
    far = np.hypot(*np.meshgrid(around, around)) * one.pixel_mm
    row, col = np.unravel_index(int(np.where(far <= OWN_MM, table, -2.0).argmax()), table.shape)
    far = np.hypot(around[:, None] - around[row], around[None] - around[col]) * one.pixel_mm
    tops = table >= cv2.dilate(table, np.ones((3, 3), np.uint8))
    tops[[0, -1]], tops[:, [0, -1]] = False, False
    aside = np.argwhere(tops & (far > OWN_MM))
    return _top(table, int(row), int(col)), [(_top(table, r, c), float(far[r, c])) for r, c in aside.tolist()]


def _top(table: Array, row: int, col: int) -> float:
    """Height of the parabolas through a highest place and those next to it: lines of a millimeter are few pixels wide,
    and whole pixels miss their tops."""
    value, height = float(table[row, col]), float(table[row, col])
    for before, after in ((table[row - 1, col], table[row + 1, col]), (table[row, col - 1], table[row, col + 1])):
        bend = 2 * value - float(before) - float(after)
        height += float(before - after) ** 2 / (8 * bend) if bend > 0 else 0.0
    return height


def _distinct(found: list[tuple[float, Array]], middle: Array) -> list[tuple[float, Array]]:
    """Of motions one_from_two, the best first, those that put `middle` (2,) px at places of their own."""
    kept: list[tuple[float, Array]] = []
    places = np.zeros((0, 2))
    for item in found:
        place = item[1][:2, :2] @ middle + item[1][:2, 2]
        if not (np.hypot(*(places - place).T) <= PEAK_PX).any():
            kept, places = [*kept, item], np.concatenate([places, place[None]])
    return kept


def _within(shape: tuple[int, ...], start: Array, reach: float) -> Mask:
    """Shifts (row, col, going round) within reach px of `start` (x, y)."""
    rows, cols = (np.where(np.arange(n) > n // 2, np.arange(n) - n, np.arange(n)) for n in shape)
    near: Mask = (rows[:, None] - start[1]) ** 2 + (cols[None] - start[0]) ** 2 <= max(reach, 1.0) ** 2
    return near


def small_from_full(step: float) -> Array:
    return np.array([[1 / step, 0, (1 / step - 1) / 2], [0, 1 / step, (1 / step - 1) / 2], [0, 0, 1]])


def reduced(detail: Detail, pixel_mm: float) -> tuple[Floats, float]:
    """The picture at about `pixel_mm`, and full-resolution px per pixel."""
    layer = detail.strokes
    h, w = layer.pixels.shape
    times = max(1.0, pixel_mm / layer.pixel_mm)
    size = (max(8, round(w / times)), max(8, round(h / times)))
    small = cv2.resize(layer.pixels.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32), layer.step * w / size[0]


def _turned(picture: Floats, degrees: float) -> tuple[Floats, Floats, Array]:
    """The picture turned about its middle on a ground as large as needed, where it is, and turned_from_picture."""
    h, w = picture.shape
    side = int(np.hypot(h, w)) + 1
    a = np.deg2rad(degrees)
    motion = similarity_matrix(np.array([np.cos(a), np.sin(a), 0.0, 0.0]))
    motion[:2, 2] = np.full(2, (side - 1) / 2) - motion[:2, :2] @ np.array([(w - 1) / 2, (h - 1) / 2])
    lay = [cv2.warpAffine(one, motion[:2], (side, side)) for one in (picture, np.ones_like(picture))]
    mask = (lay[1] > 0.99).astype(np.float32)
    return np.asarray(lay[0] * mask, np.float32), mask, motion


def _spectra(picture: Floats, mask: Floats, shape: list[int]) -> list[Array]:
    """Transforms of picture, its square and its mask."""
    return [fft.rfft2(one, s=shape) for one in (picture * mask, picture * picture * mask, mask)]


def _correlation(one: list[Array], two: list[Array], shape: list[int], least: float, larger: float) -> Array:
    """Normalized correlation for every shift (row, col, going round) of two against one; -1 where they share less."""

    def across(a: Array, b: Array) -> Array:
        return np.asarray(fft.irfft2(a * np.conj(b), s=shape), np.float64)

    count = across(one[2], two[2])
    shared = np.maximum(count, 1.0)
    mean_a, mean_b = across(one[0], two[2]) / shared, across(one[2], two[0]) / shared
    power_a = across(one[1], two[2]) / shared - mean_a**2
    power_b = across(one[2], two[1]) / shared - mean_b**2
    common = across(one[0], two[0]) / shared - mean_a * mean_b
    score = common / np.sqrt(np.maximum(power_a * power_b, 1.0))
    return np.where(count >= least, score * np.maximum(count / count.max(), 0) ** larger, -1.0)


def _peaks(score: Array, most: int) -> list[tuple[float, int, int]]:
    """The highest places (value, row, col), shifts past the middle being negative; not next to each other."""
    table, found = score.copy(), []
    for _ in range(most):
        row, col = (int(k) for k in np.unravel_index(int(table.argmax()), table.shape))
        down, across = (k - n if k > n // 2 else k for k, n in zip((row, col), table.shape, strict=True))
        found.append((float(table[row, col]), down, across))
        rows, cols = (np.arange(k - PEAK_PX, k + PEAK_PX + 1) % n for k, n in zip((row, col), table.shape, strict=True))
        table[np.ix_(rows, cols)] = -1.0
    return found


def _full(one_from_two: Array, steps: tuple[float, float], scale: float) -> Array:
    """b_from_a in full-resolution px, at `scale`, of a motion between reduced pictures."""
    small = [small_from_full(step) for step in steps]
    motion = np.linalg.inv(small[1]) @ np.linalg.inv(one_from_two) @ small[0]
    ratio = scale / np.hypot(motion[0, 0], motion[1, 0])
    return np.asarray(np.diag([ratio, ratio, 1.0]) @ motion, np.float64)
