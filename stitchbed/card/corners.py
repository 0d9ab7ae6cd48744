"""I read the words of `rectify` and `color` into settings.

In: words from the shell. Out: settings, or which word was not understood.
"""

from __future__ import annotations

import re

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings


def corner_points(words: tuple[str, ...], *, clockwise: bool = True) -> Array:
    """(4, 2) px of four "x,y" words: top left, top right, bottom right, bottom left.

    clockwise : as seen (y down); False allows them to go round the other way, as in a mirrored picture.

    Raises
    ------
    BadSettings : not four points, or not going round once.
    """
    matches = [re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*,\s*(-?\d+(?:\.\d+)?)\s*", word) for word in words]
    points = np.array([[float(m[1]), float(m[2])] for m in matches if m is not None])
    if len(points) != 4 or not (_goes_round(points) or (not clockwise and _goes_round(points[::-1]))):
        raise BadSettings(
            f"--corners {' '.join(words)}",
            expected="four points x,y in pixels of the first photo, from the top left corner clockwise",
            attempt="--corners 120,80 5400,95 5380,3700 140,3720",
        )
    return points


def printed_lines(words: str) -> tuple[float, float | None]:
    """(across, down or None) mm of "159.6" or "159.6x159.8".

    Raises
    ------
    BadSettings : not one or two lengths.
    """
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(?:mm)?\s*(?:x\s*(\d+(?:[.,]\d+)?)\s*(?:mm)?)?\s*", words.lower())
    if match is None:
        raise BadSettings(
            f"--printed-mm {words}",
            expected="the measured length of the check line in mm, or of both lines",
            attempt="--printed-mm 159.6, or --printed-mm 159.6x159.8",
        )
    across, down = (None if word is None else float(word.replace(",", ".")) for word in match.groups())
    return (across if across is not None else 0.0), down


def _goes_round(points: Array) -> bool:
    """True when the points go round a convex area clockwise as seen (y down)."""
    steps = np.roll(points, -1, axis=0) - points
    after = np.roll(steps, -1, axis=0)
    return bool(np.all(steps[:, 0] * after[:, 1] - steps[:, 1] * after[:, 0] > 0))
