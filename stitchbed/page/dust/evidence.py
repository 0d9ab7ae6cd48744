"""I weigh what speaks for dust and what for drawing in a small lone mark.

In: a table of finds that `solidity` has weighed. Out: the log of the odds that each is dust.

Dust and dots of the same size cannot be told apart one by one when they are two pixels wide. What is drawn is black,
as wide as a pen, and has company: other black marks near. The weights are those of a logistic regression over some
29,000 marks and grains of known kind on 90 drawn pages with two kinds of dust, at 300 dpi, and hold at 600 dpi too.

Reference: Cox, The regression analysis of binary sequences, J. R. Stat. Soc. B 20(2):215-242, 1958.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from stitchbed.core.arrays import Array, Mask
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
CONSTANT = 7.712
WEIGHTS = {
    "width": -8.469,  # log of the solid stroke's width over .1 mm: no pen is that thin
    "width2": -1.099,  # its square
    "company": -1.563,  # log of 1 + the number of black marks within NEAR_MM
    "nearest": 1.032,  # log of mm to the nearest of them
    "peak": -7.482,  # of full ink
    "kin": -5.74,  # mm of strokes as pale beside it
    "gain": 0.728,  # log of 1 + the gain of fit of gray over black
    "gain_width": 1.73,  # the same times the width's log
    "gain_pale": 0.881,  # the same times what is missing to black
    "single": 1.133,  # nothing drawn round it
    "slender": -1.811,  # log of length over width
    "sharp": -2.076,  # `shape` above 1: a dot that falls on one pixel
    "black": -2.365,  # no gray fits better
}


def odds(finds: Finds, scale: Scale, smallest_dot: float) -> Array:
    """(n,) log of the odds that a find is dust; means something for small lone marks only.

    smallest_dot : mm, the finest dot of the pen.
    """
    pen = PEN_MM / max(smallest_dot, 0.01)
    width = np.log(np.maximum(finds.width.astype(np.float64), 0.02) * pen / 0.1)
    gain = np.log1p(np.clip(finds.gain, 0, MOST_GAIN).astype(np.float64))
    count, nearest = _black_company(finds, scale)
    seen: dict[str, Array] = {
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
    return np.asarray(CONSTANT + sum(weight * seen[name] for name, weight in WEIGHTS.items()))


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
