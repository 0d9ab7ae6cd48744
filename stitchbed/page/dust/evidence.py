"""I weigh what speaks for dust and what for drawing in a small lone mark.

In: a table of finds that `solidity` has weighed. Out: the log of the odds that each is dust.

Dust and dots of the same size cannot be told apart one by one when they are two pixels wide. What is drawn is black,
as wide as a pen, and has company: other black marks near. The weights are those of a logistic regression over some
37,000 marks and grains of known kind on 110 drawn and printed pages with two kinds of dust, at 300 and 600 dpi.

Reference: Cox, The regression analysis of binary sequences, J. R. Stat. Soc. B 20(2):215-242, 1958.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.finds import ALONE, Finds

APART = 0.5  # share of the peak no stroke explains
COLORED = 0.35  # hue; dust is neutral or brownish, common practice, no source
PEN_MM = 0.12  # the finest dot of the pens the weights were found with; widths count in its units
NEAR_MM, FARTHEST_MM = 3.0, 10.0  # within the first, black marks are company; beyond the last, none is
SINGLE = 0.985  # share of paper round a mark that stands by itself
SURE_GRAY, SURE_GAIN, SURE_THIN = 0.8, 8.0, 0.045  # darkness and gain, or mm, of marks that no pen made
RAGGED = 0.97  # `shape` of what may be gray
MOST_GAIN = 60.0
SHARP, BLACK = 0.5, 0.985  # most that `shape` is told above 1; fitted darkness of what is as black as ink


@dataclass(frozen=True)
class Weights:
    """What each thing seen adds to the log of the odds, per unit of it; constant: where nothing speaks."""

    constant: float
    width: float  # log of the solid stroke's width over .1 mm: no pen is that thin
    width2: float  # its square
    company: float  # log of 1 + the number of black marks within NEAR_MM
    nearest: float  # log of mm to the nearest of them
    peak: float  # of full ink
    kin: float  # mm of strokes as pale beside it
    gain: float  # log of 1 + the gain of fit of gray over black
    gain_width: float  # the same times the width's log
    gain_pale: float  # the same times what is missing to black
    single: float  # 1 where nothing is drawn round it
    slender: float  # log of length over width
    sharp: float  # `shape` above 1: a dot that falls on one pixel
    black: float  # 1 where no gray fits better


# at 300 dpi a dot of .1 mm is one pixel, and its width says most; at 600 its darkness shows. The latter's constant is
# half a unit less than was learned: on kinds of page not learned from, single dots of .1 mm came that near to dust
COARSE = Weights(
    7.712, -8.469, -1.099, -1.563, 1.032, -7.482, -5.74, 0.728, 1.73, 0.881, 1.133, -1.811, -2.076, -2.365
)  # fmt: skip
FINE = Weights(
    15.28, -1.521, -0.749, -0.663, 1.214, -17.584, -11.155, 0.567, 0.284, 0.653, 0.633, 0.391, -8.27, -4.798
)  # fmt: skip
COARSE_DPI, FINE_DPI = 300.0, 600.0


def odds(finds: Finds, scale: Scale, smallest_dot: float) -> Array:
    """(n,) log of the odds that a find is dust; means something for small lone marks only.

    smallest_dot : mm, the finest dot of the pen. Between the two resolutions that were learned, odds are between both.
    """
    seen = seen_alone(finds, scale, smallest_dot)
    fine = fineness(scale)
    both = [sum(getattr(weights, name) * value for name, value in seen.items()) for weights in (COARSE, FINE)]
    return np.asarray(both[0] * (1 - fine) + both[1] * fine)


def fineness(scale: Scale) -> float:
    """0 at COARSE_DPI and below .. 1 at FINE_DPI and above."""
    dpi = scale.px_per_mm * MM_PER_INCH
    return float(np.clip(np.log(dpi / COARSE_DPI) / np.log(FINE_DPI / COARSE_DPI), 0, 1))


def seen_alone(finds: Finds, scale: Scale, smallest_dot: float) -> dict[str, Array]:
    """What of each find is weighed, (n,) each, under the names of `Weights`."""
    pen = PEN_MM / max(smallest_dot, 0.01)
    width = np.log(np.maximum(finds.width.astype(np.float64), 0.02) * pen / 0.1)
    gain = np.log1p(np.clip(finds.gain, 0, MOST_GAIN).astype(np.float64))
    count, nearest = _black_company(finds, scale)
    return {
        "constant": np.ones(len(width)),
        "width": width,
        "width2": width**2,
        "company": np.log1p(count),
        "nearest": np.log(np.clip(nearest, 0.1, FARTHEST_MM)),
        "peak": np.minimum(finds.peak, 1).astype(np.float64),
        "kin": np.minimum(finds.kin, 1).astype(np.float64),
        "gain": gain,
        "gain_width": gain * width,
        "gain_pale": gain * (1 - finds.dark),
        "single": (finds.bare > SINGLE).astype(np.float64),
        "slender": np.log(np.maximum(finds.extent, 0.05) / np.maximum(finds.width, 0.02)).astype(np.float64),
        "sharp": np.clip(finds.shape - 1, 0, SHARP).astype(np.float64),
        "black": (finds.dark > BLACK).astype(np.float64),
    }


def lone(finds: Finds, scale: Scale) -> Mask:
    """(n,) small marks that no stroke explains."""
    small = (finds.kind == ALONE) & (finds.extent <= scale.largest) & (finds.hue < COLORED)
    return np.asarray(small & (finds.alone > APART))


def _black_company(finds: Finds, scale: Scale) -> tuple[Array, Array]:
    """(n,) how many marks that may be ink lie within NEAR_MM, the find itself too; mm to the nearest other one."""
    gray = (finds.dark < SURE_GRAY) & (finds.gain > SURE_GAIN) | (finds.width < SURE_THIN)
    black = np.flatnonzero(lone(finds, scale) & ~(gray & (finds.shape < RAGGED)))
    places = np.stack([finds.row, finds.col], axis=1).astype(np.float64) / scale.px_per_mm
    if not len(black) or not len(places):
        return np.zeros(len(places)), np.full(len(places), FARTHEST_MM)
    tree = cKDTree(places[black])
    count = tree.query_ball_point(places, NEAR_MM, return_length=True)
    apart = tree.query(places, k=2)[0]
    nearest = np.where(apart[:, 0] > 1e-6, apart[:, 0], apart[:, 1])
    return np.asarray(count, np.float64), np.asarray(nearest, np.float64)
