"""I find what a sensor, a driver or a broken transfer did to a scan, whatever is drawn on it.

In: a small gray view and windows of stored pixels. Out: frozen values: lines along the travel, few tones, black ends.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Pixels
from stitchbed.imaging.box import Box
from stitchbed.imaging.depth import eight_bit
from stitchbed.imaging.gray import gray_of, least_of
from stitchbed.inspection.quality import calm_noise, clipped_each
from stitchbed.matching.laid_over import from_ends
from stitchbed.matching.robust import MAD_SIGMA, robust_spread

SEGMENTS = 12  # of the length, in each of which a line of the sensor must show ...
SEEN_IN = 11  # ... but for one, which may be of the same tone
STREAK_DEPTH, STREAK_OVER = 1.2, 7.0  # gray levels of the view; times the spread over all columns, and over near ones
SPREAD_REACH = 16  # view px to both sides
# times what it strays from segment to segment, the middle of it: five standard errors of the median of twelve. Where
# most of a page is bare nothing else tells chance among strokes. A dead cell has one value over all tones and strays
# with them: a line so deep, gray levels, is no chance.
STEADY, DEEP = 2.1, 12.0
STREAK_REACH = 4  # view px to both sides, between which the tone must not change: else it is an edge of the sheet
STREAK_SIDES = 12.0  # gray levels it may change
WANDER, WANDER_OVER = 0.1, 3.0  # px about, that a line may move from segment to segment; times what chance moves it
ASKEW = 0.2  # px about, from end to end of a scan
STREAK_RIM = 0.01  # of the width: the outermost columns are the frame's
BESIDE, FAR = 2, 4  # px from a line to where its tone has ended, and to where the tone beside it is told
STREAK_SOFT = 0.25  # of a line's depth that may be left there: drawn ones are wider, or as soft as all that is drawn
THROUGHOUT, SHOWN = 0.75, 0.3  # of a row's pixels show so much of a line that the sensor or the transfer made
WAVE = 0.5  # of a line's depth, on both sides of it: one wave of a screen among others
STREAK_BESIDE = 0.5  # of a dead cell's depth, in a column beside it: a drawn line is wider, or moves there
STUCK_PARTS, STUCK_TOLD = 36, 6  # of the length; those whose tone is another than a dead cell's, and so tell of it
STUCK_APART, STUCK_FIT, STUCK_IN = 10.0, 0.4, 0.85  # gray levels apart; share it strays; share of the parts that agree
MOST_STUCK = 8  # cells that always wrote one value; more are a pattern
BAND_ROWS = 24  # px; their median is good to a third of a gray level
BLACK = 12.0  # gray levels: what no lid and no paper comes down to over a whole row
BLACK_SHARE = 0.005  # of the length
BROKEN_ROWS, BROKEN = 4, 0.75  # rows after a black end; share of what they show lit that the first of them does
PILED, PILED_IN = 0.1, 0.14  # of a square's px at full white; of the squares: cut-off washes have .2, good scans .006
FULL = 0.95  # of a square that is white: no drawing
DRAWN, LEAST_DRAWN = 5.0, 12  # gray levels, sd of a square with drawing; squares that say something
CALM_IN = 4  # parts of a band, the calmest square of each of which tells of noise: paper, mostly
TONES_RANGE = 24  # of 8-bit codes that must be spanned for their number to say something
TONES_SHARE = 0.45  # of the spanned codes in use; noise of half a level uses all, a steep tone curve some 60 %
TONES_SEEN = 1e-5  # of the pixels a code in use holds
TONES_BESIDE = 0.5  # of the codes in use have one beside them: paper and ink alone have nearly all, steps have none


@dataclass(frozen=True)
class Streak:
    """A line through a whole scan. axis 1: a column, 0: a row. at : px of the view. depth : gray levels, signed."""

    axis: int
    at: int
    depth: float


@dataclass(frozen=True)
class Banded:
    """What the `bands` of a scan tell. columns : px, that a dead cell wrote. tones, ended : as tones and black of
    `Sensed`. black, white : shares cut off around drawing. noise : gray levels, None where all lies at an end.
    """

    columns: tuple[int, ...] = ()
    tones: int | None = None
    ended: tuple[str, float] | None = None
    black: float = 0.0
    white: float = 0.0
    noise: float | None = None


@dataclass(frozen=True)
class Sensed:
    """streaks : lines. tones : number of 8-bit codes in use when they are too few, else None. black : (side, share of
    the length) of a black end, else None.
    """

    streaks: tuple[Streak, ...]
    tones: int | None
    black: tuple[str, float] | None


def sensed(view: Floats, reduction: int, windows: Sequence[NDArray[Any]], bits: int) -> Sensed:
    """All of it. view : (h, w) gray 0..255. windows : of stored pixels (h, w, c). bits : per channel."""
    rows = [one for one in streaks(view, 0) if _throughout(view, one)]
    lines = (*_columns(view, reduction), *rows)
    return Sensed(lines, few_tones(windows) if bits > 1 else None, black_end(view))


def _columns(view: Floats, reduction: int) -> list[Streak]:
    """Lines along the travel, of cells that write too much or too little, and of dead ones."""
    found = streaks(view, 1)
    dead = [one for one in stuck(view, reduction) if all(abs(one.at - other.at) > 1 for other in found)]
    return sorted([*found, *dead], key=lambda one: one.at)


def streaks(view: Floats, axis: int) -> list[Streak]:
    """Lines one or two px wide that go through the whole scan at one place: drawn lines do not, nor that straight, and
    ruled ones are never laid down quite along the bed.
    """
    lines = view if axis == 1 else view.T
    parts = [np.median(part, axis=0).astype(np.float64) for part in np.array_split(lines, SEGMENTS, axis=0)]
    depth = np.stack([part - _middle_of_seven(part) for part in parts])
    usual = np.median(depth, axis=0)
    spread = np.maximum(robust_spread(usual), _spread_near(usual))
    alike = (np.sign(depth) == np.sign(usual)) & (np.abs(depth) > np.maximum(0.7, 0.1 * np.abs(usual)))
    strong = np.abs(usual) > np.maximum(STREAK_DEPTH, STREAK_OVER * spread)
    strong &= np.abs(usual) > np.minimum(STEADY * np.median(np.abs(depth - usual), axis=0), DEEP)
    found = strong & (alike.sum(0) >= SEEN_IN) & _level_sides(np.stack(parts))
    rim = max(STREAK_REACH, round(STREAK_RIM * len(found)))
    found[:rim] = found[-rim:] = False
    runs = np.flatnonzero(np.diff(np.concatenate([[0], found.astype(np.int8), [0]])))
    without = np.where(found, np.stack(parts) - depth, np.stack(parts))
    return [
        Streak(axis, int(first + np.abs(usual[first:last]).argmax()), float(usual[first:last].sum()))
        for first, last in runs.reshape(-1, 2)
        if last - first <= 2
        and _stays(depth, usual, int(first + np.abs(usual[first:last]).argmax()))
        and _narrow(np.stack(parts), without, int(first), int(last))
        and _is_alone(np.where(found, 0, usual), int(first), int(last), float(usual[first:last].sum()))
    ]


def _is_alone(others: Array, first: int, last: int, depth: float) -> bool:
    """True unless lines that are none of the sensor's lie on both sides, about as deep: the waves of a printed screen.

    others : (n,) what all other columns differ by, 0 for those that are lines of the sensor themselves.
    """
    sides = others[max(0, first - SPREAD_REACH) : first], others[last : last + SPREAD_REACH]
    return not all((side * np.sign(depth)).max(initial=0.0) > WAVE * abs(depth) for side in sides)


def _throughout(view: Floats, row: Streak) -> bool:
    """True where most pixels of a row show it, if it is deep: of a line of letters' feet little more than half do."""
    beside = view[[row.at - FAR, row.at - FAR + 1, row.at + FAR - 1, row.at + FAR]].mean(0)
    shown = np.sign(row.depth) * (view[row.at] - beside)
    return abs(row.depth) < DEEP or bool(np.quantile(shown, 1 - THROUGHOUT) > SHOWN * abs(row.depth))


def _spread_near(values: Array) -> Array:
    """(n,) spread of values (n,) near each: where a printed screen lies along the bed its waves come one after another
    over a few columns, and nowhere else."""
    near = np.lib.stride_tricks.sliding_window_view(np.pad(values, SPREAD_REACH, mode="reflect"), 2 * SPREAD_REACH + 1)
    return MAD_SIGMA * np.median(np.abs(near - np.median(near, axis=1, keepdims=True)), axis=1)


def stuck(view: Floats, reduction: int) -> list[Streak]:
    """Columns of a view (h, w) of a scan, reduced by a whole number, in which one cell wrote the same value whatever
    was drawn: the farther the tone beside it is from that value, the more such a column differs from it.
    """
    parts = np.stack([np.median(part, axis=0).astype(np.float64) for part in np.array_split(view, STUCK_PARTS, axis=0)])
    beside = np.stack([_middle_of_seven(part) for part in parts])
    written = beside + reduction * (parts - beside)
    value = np.median(written, axis=0)
    apart = np.abs(beside - value)
    telling = apart > STUCK_APART
    fits = telling & (np.abs(written - value) < STUCK_FIT * apart)
    found = (telling.sum(0) >= STUCK_TOLD) & (fits.sum(0) >= STUCK_IN * telling.sum(0))
    rim = max(STREAK_REACH, round(STREAK_RIM * len(found)))
    found[:rim] = found[-rim:] = False
    without = np.where(found, beside, parts)
    told = ((int(at), telling[:, at]) for at in np.flatnonzero(found))
    columns = [at for at, some in told if _narrow(parts, without, at, at + 1) and _lone(parts[some], without[some], at)]
    if len(columns) > MOST_STUCK:
        return []
    return [Streak(1, at, float(np.median(parts[:, at] - beside[:, at]))) for at in columns]


def _lone(parts: Array, without: Array, at: int) -> bool:
    """True where the columns beside one show nothing of it in segments (rows of `parts`): a cell writes its own only,
    and a drawn line is wider, or lies between two of them somewhere. without : as in `_narrow`.
    """
    near, far = without[:, [at - 1, at + 1]], without[:, [at - 1 - BESIDE, at + 1 + BESIDE]]
    shown = np.abs(near - far).max(1) / np.maximum(np.abs(parts[:, at] - far.mean(1)), 1e-9)
    return bool(np.median(shown) < STREAK_BESIDE)


def _narrow(parts: Array, without: Array, first: int, last: int) -> bool:
    """True where the tones of segments (rows of `parts`) have come back to what they are beside a line as soon as it
    has ended. It takes the columns from `first` to before `last`. without : the same, every line given the tone beside
    it, so that another one near tells nothing.
    """
    padded = np.pad(without, ((0, 0), (FAR, FAR)), mode="edge")
    near, far = (
        (padded[:, first - reach + FAR] + padded[:, last - 1 + reach + FAR]) / 2 for reach in (BESIDE, FAR)
    )  # of both sides: where tones go over into each other, what one has too much the other lacks
    middle = parts[:, first:last].mean(1)
    return bool(np.median(np.abs(near - far)) < STREAK_SOFT * np.median(np.abs(middle - far)))


def _stays(depth: Array, usual: Array, at: int) -> bool:
    """True where a line keeps its place from segment to segment (rows of `depth`) to a part of a px: what is more on
    one side of it than on the other tells.
    """
    sides = (depth[:, at + 1] - depth[:, at - 1]) / abs(usual[at])
    rest = depth - usual
    moved = robust_spread(sides)
    chance, near = (
        robust_spread(part) * math.sqrt(2) / abs(usual[at])
        for part in (rest, rest[:, max(0, at - SPREAD_REACH) : at + SPREAD_REACH + 1])
    )
    # grain is where drawing is, beside bare paper; a line that is laid down askew moves one way all along
    steady = abs(float(np.polyfit(np.linspace(0, 1, len(sides)), sides, 1)[0])) < ASKEW
    return bool(moved < max(WANDER, WANDER_OVER * chance) or (steady and moved < WANDER_OVER * near))


def bands(window: Callable[[Box], Pixels], shape: tuple[int, ...]) -> list[Pixels]:
    """A few bands of rows of a scan of (rows, cols, ...), spread over it, so that what a sensor did is seen without a
    second look at the whole; none of a small one. window : stored pixels of a box.
    """
    rows, cols = shape[:2]
    if rows < SEGMENTS * BAND_ROWS:
        return []
    return [window(Box(start, 0, BAND_ROWS, cols)) for start in _band_starts(rows)]


def _band_starts(rows: int) -> list[int]:
    return list(map(int, np.linspace(0, rows - BAND_ROWS, SEGMENTS)))


def banded(window: Callable[[Box], Pixels], shape: tuple[int, ...], bits: int) -> Banded:
    """All that bands of a scan tell; nothing of a small one. window, shape : see `bands`. bits : per channel."""
    read = bands(window, shape)
    if not read:
        return Banded()
    grays = [gray_of(band) for band in read]
    columns = tuple(streak.at for streak in _columns(np.concatenate(grays), 1))
    tones = few_tones(read) if bits > 1 else None
    return Banded(columns, tones, _black_end(grays, window, shape), *cut_off(read), _band_noise(read))


def _black_end(
    grays: Sequence[Floats], window: Callable[[Box], Pixels], shape: tuple[int, ...]
) -> tuple[str, float] | None:
    """See `black_end`; rows between the last band that is black and the first that is not are read for it."""
    black = [bool(gray.max() < BLACK) for gray in grays]
    if all(black) or not (black[0] or black[-1]):
        return black_end(np.concatenate(grays))
    starts = _band_starts(shape[0])
    last = black.index(False) if black[0] else len(black) - 1 - black[::-1].index(False)
    first, end = (starts[last - 1], starts[last]) if black[0] else (starts[last], starts[last + 1])
    first, end = max(0, first - BROKEN_ROWS), min(shape[0], end + BROKEN_ROWS)
    between = gray_of(window(Box(first, 0, end - first, shape[1])))[:: 1 if black[0] else -1]
    length = from_ends(between.max(1) < BLACK)[0]
    rows = length + (first if black[0] else shape[0] - end)
    return ("top" if black[0] else "bottom", rows / shape[0]) if _breaks_off(between[length:]) else None


def cut_off(read: Sequence[Pixels]) -> tuple[float, float]:
    """Shares of pixels at full black, at full white, where there is drawing, in `bands`; of white 0 where it is so in
    few of the squares, as where a few strokes reach the end.
    """
    shares = np.concatenate([np.zeros((0, 2)), *(clipped_each(drawn) for drawn in _drawn_squares(read) if len(drawn))])
    if len(shares) < LEAST_DRAWN:
        return 0.0, 0.0
    black, white = map(float, shares.mean(0))
    return black, white if (shares[:, 1] > PILED).mean() >= PILED_IN else 0.0


def _band_noise(read: Sequence[Pixels]) -> float | None:
    """Of the calmest squares of `bands`, but for those at an end of the range, where noise is cut off."""
    found = []
    for band in read:
        squares = _squares(band)
        grays = _square_grays(band)[clipped_each(squares).max(1, initial=0) < PILED]
        spreads = grays.std((1, 2))
        step = max(1, -(-len(grays) // CALM_IN))
        for start in range(0, len(grays), step):
            found.append(grays[start + int(spreads[start : start + step].argmin())])
    return calm_noise(found) if found else None


def _squares(band: Pixels) -> Pixels:
    """(n, BAND_ROWS, BAND_ROWS, c) of a band, side by side."""
    count, channels = band.shape[1] // BAND_ROWS, band.shape[2]
    return band[:, : count * BAND_ROWS].reshape(len(band), count, BAND_ROWS, channels).swapaxes(0, 1)


def _square_grays(band: Pixels) -> Floats:
    """(n, BAND_ROWS, BAND_ROWS) gray of the same."""
    return np.ascontiguousarray(_squares(gray_of(band)[..., None])[..., 0])


def _drawn_squares(read: Sequence[Pixels]) -> Iterator[Pixels]:
    """Of each band squares in which tones differ, but for white at both ends, as of a lid, and the square beside it."""
    for band in read:
        squares = _squares(band)
        white = least_of(band) == np.iinfo(band.dtype).max
        full = _squares(white[..., None]).mean((1, 2, 3)) > FULL
        inner = np.flatnonzero(~full)
        if len(inner):
            first, last = (int(at) for at in inner[[0, -1]])
            between = slice(first + bool(first), last + 1 - (last < len(squares) - 1))
            yield squares[between][_square_grays(band)[between].std((1, 2)) > DRAWN]


def few_tones(windows: Sequence[NDArray[Any]]) -> int | None:
    """Number of 8-bit codes in use when these are too few for the range they span, in the fullest channel."""
    counts = np.zeros((windows[0].shape[2], 256), np.int64)
    for window in windows:
        codes = eight_bit(window)
        for channel in range(codes.shape[2]):
            counts[channel] += np.bincount(codes[..., channel].ravel(), minlength=256)
    best = None
    for held in counts:
        used = np.flatnonzero(held > TONES_SEEN * held.sum())
        if used[-1] - used[0] < TONES_RANGE or len(used) >= TONES_SHARE * (used[-1] - used[0] + 1):
            return None
        if (np.diff(used) == 1).mean() > TONES_BESIDE:
            return None
        best = max(best or 0, len(used))
    return best


def black_end(view: Floats) -> tuple[str, float] | None:
    """The side from which rows are black throughout, and the share of the length they take. A scan breaks off between
    two rows, over its whole width at once; a sheet before a black lid hardly ever ends so straight.
    """
    found = []
    for sides, lines in ((("top", "bottom"), view), (("left", "right"), view.T)):
        lengths = from_ends(lines.max(1) < BLACK)
        for side, length, from_side in zip(sides, lengths, (lines, lines[::-1]), strict=True):
            if length and _breaks_off(from_side[length:]):
                found.append((length / len(lines), side))
    share, side = max(found, default=(0.0, ""))
    return (side, share) if share > BLACK_SHARE else None


def _breaks_off(rows: Floats) -> bool:
    """True where the first row is lit wherever the first few are: drawing may be black too, and goes on."""
    lit = rows[:BROKEN_ROWS] >= BLACK
    return not len(lit) or bool(lit[0].sum() > BROKEN * lit.any(0).sum())


def _middle_of_seven(profile: Array) -> Array:
    padded = np.pad(profile, 3, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 7), axis=1))


def _level_sides(parts: Array) -> NDArray[np.bool_]:
    """(columns,) True where segments (rows of `parts`) have about the same tone on both sides, on the whole. The edge
    of a sheet is darker on one side all along; strokes of rough charcoal, now on one and now on the other.
    """
    padded = np.pad(parts, ((0, 0), (STREAK_REACH, STREAK_REACH)), mode="edge")
    change = padded[:, 2 * STREAK_REACH :] - padded[:, : -2 * STREAK_REACH]
    return np.asarray(np.abs(np.median(change, axis=0)) < STREAK_SIDES)
