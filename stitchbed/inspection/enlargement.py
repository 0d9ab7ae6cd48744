"""I tell whether pixels of a scan were made up between scanned ones, and how many.

In: a `Look`. Out: the factor of an enlargement.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stitchbed.inspection.looks import Look
from stitchbed.inspection.quality import NEAR, PERIODS, Trace

# Bounds set between what good and enlarged synthetic scans show (see the tests), about in the middle on a log scale.
TRACE = 2.4  # periodic strength over its surround; natural scans stay below 1.6
WEAK_TRACE = 1.8  # of a doubling, where the finest detail is empty besides
CHANCE = 4.5  # strength over the surround that a single window shows by chance; many show less
# Along the weaker axis; along one axis only, times all other periods: of 448 enlarged scans of 8 media 445 show it
# along both, the others along one at least 3.7 times as strong as all else, 70 good ones along one up to 1.1 times.
ALONG_BOTH, LONE_AXIS = 1.5, 2.0
# How far a period stays in step, along the axis and in the order of differences that shows it best: enlarged scans .81
# to 1, printed screens whose period is the same to a window .1 to .7.
LOCKED = 0.76
SHOWS_WELL = 0.5  # of the strongest that shows a period: a weaker one may be in step by chance
QUIET_LOCKED = 0.6  # the same of a scan with far less noise than others of its set: interpolation takes noise, too
FULL = 0.7  # of what is half as fine: interpolation leaves less than half, noise and screens leave all
FLOOR_LEVEL, FLOOR_DROP = 0.5, 2.2  # gray levels near the finest detail, and how much more there is at half of it
ROUNDING = 1 / 12  # gray levels squared: what rounding to whole levels leaves in every band
# Of the power beside it: 3 leaves .07 to .25, 1.5 leaves .54 and more; gray levels squared.
HOLE, LEAST_BESIDE = 0.4, 0.02
BLOCKS = 5.0  # standard deviations; natural scans stay below 3.5
SIMPLE = dict(zip(PERIODS, (2.0, 1.5, 4 / 3, 1.25, 5 / 3)))  # period frequency -> factor of the enlargement


def enlargement_of(look: Look, *, quiet: bool = False) -> float | None:
    """By how much a scan was enlarged after the sensor, None when nothing says so. It leaves its period along both
    axes; what has one along a single axis may be lines of lettering, unless that is stronger by far than all else.

    quiet : far less noise than most of its set have. Then other periods of the sheet, which all of them show, do not
    speak against it.
    """
    least = max(TRACE, 1 + CHANCE / np.sqrt(look.windows))
    for frequency, factor in SIMPLE.items():
        weaker, stronger = sorted(
            max((t.strength for t in look.traces if t.axis == axis and is_near(t, frequency)), default=0.0)
            for axis in (0, 1)
        )
        other = _other_periods(look, frequency)
        along_both = weaker > ALONG_BOTH and weaker + stronger > 1.5 * least
        shown = (stronger > other and (along_both or stronger > LONE_AXIS * max(least, other))) or (
            quiet and along_both
        )
        if shown and _locked(look, frequency, QUIET_LOCKED if quiet else LOCKED):
            made_up = frequency == 0.5 or not _reaches_the_end(look)  # repeated pixels have edges up to the end
            return _with_cutoff(look, frequency, factor) if made_up else None
    fine, half = ends_of(look.bands_calm)
    empty = fine < FLOOR_LEVEL and half > FLOOR_DROP * fine and look.blocks <= BLOCKS
    # quiet scanners with soft optics have nothing there either, so a trace of doubling must show as well, if a weak one
    doubled = max((t.strength for t in look.traces if is_near(t, 0.5)), default=0) > WEAK_TRACE
    return 2.0 if empty and doubled else None


def ends_of(bands: NDArray[np.float64]) -> tuple[float, float]:
    """(finest detail, that half as fine), gray levels."""
    fine, half = (float(np.sqrt(np.median(bands[part]))) for part in (slice(11, 16), slice(5, 8)))
    return fine, half


def _reaches_the_end(look: Look) -> bool:
    """True where the finest detail is too strong to be made up, in calm and in drawn windows: periods are the screen's
    or chance.
    """
    return all(fine > FULL * half for fine, half in map(ends_of, (look.bands_calm, look.bands_detail)))


def _other_periods(look: Look, frequency: float) -> float:
    """Strength of the strongest period that is no multiple of a frequency: printed screens and rows of dots leave many
    periods of their own, an enlargement one with its multiples.
    """
    multiples = [abs((step * frequency + 0.5) % 1 - 0.5) for step in range(1, 6)]
    others = [t.strength for t in look.traces if not any(is_near(t, multiple) for multiple in multiples)]
    return max(others, default=0.0)


def _locked(look: Look, frequency: float, least: float) -> bool:
    """True of a period that lies the same to the pixels all over the picture, which a printed screen's does not."""
    near = [trace for trace in look.traces if is_near(trace, frequency)]
    telling = max(ALONG_BOTH, SHOWS_WELL * max((trace.strength for trace in near), default=0.0))
    return max((trace.locked for trace in near if trace.strength > telling), default=0.0) > least


def _with_cutoff(look: Look, frequency: float, factor: float) -> float:
    """Tell 2 and 4/3 from 4, and 1.5 from 3, which leave the same period; in doubt the smaller one is told.

    Interpolation leaves nothing at the frequency of the samples it came from (Gallagher 2005, see `quality`): 3 leaves
    a hole at a third of a cycle, 1.5 none. 4 leaves a period of four px, which 2 does not, and its half no weaker,
    which 4/3 does, and next to nothing above a fifth of a cycle. Shares measured on synthetic maps, enlarged in three
    ways.
    """
    if frequency == 1 / 3:
        above = look.bands_calm - min(ROUNDING, float(look.bands_calm.min()))
        hole, beside = float(above[10]), float(above[9] + above[11]) / 2
        return 3.0 if beside > LEAST_BESIDE and hole < HOLE * beside else factor
    bands = np.sqrt(look.bands_detail)
    if frequency not in (0.5, 0.25) or float(np.median(bands[6:9])) >= 0.07 * float(np.median(bands[2:4])):
        return factor
    four, two = (max((t.strength for t in look.traces if is_near(t, f)), default=0.0) for f in (0.25, 0.5))
    return 4.0 if WEAK_TRACE < four <= 1.1 * two else factor


def is_near(trace: Trace, frequency: float) -> bool:
    """True of a period of about a frequency, cycles/px."""
    return abs(trace.frequency - frequency) < NEAR
