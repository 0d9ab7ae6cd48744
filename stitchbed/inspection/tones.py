"""I hold tones of two views against each other, whatever curve each was exposed by.

In: two views laid on each other. Out: one of them in the other's tones; what they differ by, less what goes with tone.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Ints, Mask
from stitchbed.inspection.patches import Overlay

TONE = 5.0  # gray levels added before a ratio of tones is taken, so that black is none
TONES = 12  # of an overlap, in each of which two scans may differ in their own way
# Log of both views' tones in which two may differ in their own way, the paper in the middle of one step: bands of .04
# lie within a step, and are no tones of their own; steps on each side of the paper's, all there are.
TONE_STEP, MOST_STEPS = 0.25, 40
MANY = 50_000  # values of which a median is taken
WHITE = 252.0  # gray level from which a scan is cut off: what is pale is lost there, not soft
SETTLED = 1.5  # view px over which a tone is taken, so that edges do not make tones of their own
FEW_TONES, MOST_BENT = 0.2, 2.0  # log of tones that no exponent can be told of; the most one is believed


def exposed_alike(laid: Overlay) -> Overlay:
    """The looks where neither is cut off at white, b with the gain and exponent that bring its tones to those of a: one
    of another exposure curve shows the same with more contrast in some tones and with less in others.
    """
    both = laid.both & (np.maximum(laid.a, laid.b) < WHITE)
    soft = [cv2.GaussianBlur(view, (0, 0), SETTLED) for view in (laid.a, laid.b)]
    tones = [np.log(np.maximum(some(view[both]), 0) + TONE) for view in soft]
    middle = tones[0] + tones[1]
    bounds = np.unique(np.quantile(middle, np.linspace(0, 1, TONES + 1))) if len(middle) else middle
    bins = np.searchsorted(bounds[1:-1], middle)
    usual = np.stack([medians_of(tone, bins)[np.unique(bins)] for tone in tones], axis=1)
    if len(usual) < 2 or np.ptp(usual[:, 0]) < FEW_TONES:
        return replace(laid, both=both)
    slope, over = np.polyfit(usual[:, 0], usual[:, 1], 1)
    bent = (np.log(np.maximum(laid.b, 0) + TONE) - over) / np.clip(slope, 1 / MOST_BENT, MOST_BENT)
    return replace(laid, b=np.asarray(np.exp(bent) - TONE, np.float32), both=both)


def tone_free(apart: Floats, tone: Floats, mask: Mask) -> Floats:
    """What two views differ by, less what goes with their tone: another exposure curve is no band, though lines of text
    show it row by row, but what differs within a tone, as bands on bare paper do, is none."""
    steps = np.rint((tone - float(np.median(some(tone[mask])))) / TONE_STEP)
    least, most = (int(end) for end in np.clip((steps.min(), steps.max()), -MOST_STEPS, MOST_STEPS))
    bins = np.clip(steps, least, most).astype(np.int16) - least
    usual = medians_of(apart[mask], bins[mask], most - least + 1)
    return np.asarray(apart - usual.astype(np.float32)[bins], np.float32)


def medians_of(values: Floats, bins: Ints, count: int = 0) -> Array:
    """(count or more,) median of the values (n,) in each of the bins they lie in (n,), from 0 on; 0 where none do."""
    held = np.bincount(bins, minlength=count)
    ends = np.cumsum(held)[:-1]
    parts = np.split(values[np.argsort(bins, kind="stable")], ends)
    return np.array([np.median(part) if len(part) else 0.0 for part in parts])


def some(values: Floats) -> Floats:
    """Of many values (n,) as many, evenly spread, as tell a median to a few thousandths of their spread."""
    return values[:: max(1, len(values) // MANY)]
