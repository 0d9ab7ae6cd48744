"""I find lines that a sensor or a transfer drew through a whole scan.

In: a gray view, of any reduction. Out: lines along the travel and across it, told from what is drawn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.matching.laid_over import leans
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
FOOT = 0.2  # of a line's depth, by which the column beside it differs more than the next but one
THROUGHOUT, SHOWN = 0.75, 0.3  # of a row's pixels show so much of a line that the sensor or the transfer made
WAVE = 0.5  # of a line's depth, on both sides of it: one wave of a screen among others
STREAK_BESIDE = 0.5  # of a dead cell's depth, in a column beside it: a drawn line is wider, or moves there
STUCK_PARTS, STUCK_TOLD = 36, 6  # of the length; those whose tone is another than a dead cell's, and so tell of it
STUCK_APART, STUCK_FIT, STUCK_IN = 10.0, 0.4, 0.85  # gray levels apart; share it strays; share of the parts that agree
MOST_STUCK = 8  # cells that always wrote one value; more are a pattern


@dataclass(frozen=True)
class Streak:
    """A line through a whole scan. axis 1: a column, 0: a row. at : px of the view. depth : gray levels, signed."""

    axis: int
    at: int
    depth: float


def columns_of(view: Floats, reduction: int) -> list[Streak]:
    """Lines along the travel, of cells that write too much or too little, and of dead ones."""
    found = streaks(view, 1)
    dead = [one for one in stuck(view, reduction) if all(abs(one.at - other.at) > 1 for other in found)]
    return sorted([*found, *dead], key=lambda one: one.at)


def rows_of(view: Floats) -> list[Streak]:
    """Lines across the travel, of a transfer that failed for a row."""
    return [one for one in streaks(view, 0) if _throughout(view, one)]


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
        and _footless(np.stack(parts), without, int(first), int(last))
        and not leans(np.stack(parts), int(first), int(last))
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
    found &= _level_sides(without)  # the edge of a sheet casts one shadow on the lid all along
    told = ((int(at), telling[:, at]) for at in np.flatnonzero(found))
    columns = [
        at
        for at, some in told
        if _narrow(parts, without, at, at + 1)
        and _footless(parts[some], without[some], at, at + 1)
        and _lone(parts[some], without[some], at)
        and not leans(parts, at, at + 1)
    ]
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


def _footless(parts: Array, without: Array, first: int, last: int) -> bool:
    """True where neither side of a line runs out softly all along, as the shadow that a sheet's edge casts on the lid.
    parts, without, first, last : as in `_narrow`.
    """
    padded = np.pad(without, ((0, 0), (FAR, FAR)), mode="edge")
    depth = parts[:, first:last].mean(1) - without[:, first:last].mean(1)
    told = depth != 0
    sides = ((first - 1, first - 1 - BESIDE), (last, last + BESIDE))
    feet = [(padded[told, near + FAR] - padded[told, far + FAR]) / depth[told] for near, far in sides]
    return all(float(np.median(foot)) < FOOT for foot in feet)


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
