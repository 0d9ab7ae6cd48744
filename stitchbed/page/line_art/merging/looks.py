"""I say what is seen at a border between two areas: of its line, of both areas, and of what lies round them.

In: a graph of areas. Out: by name, a number for each border; those of `merges.txt`.

Strokes of tone part areas that are alike, narrow and side by side; outlines part areas that differ, and go on round
them. None of it tells alone, so that all is handed on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.page.line_art.merging.graph import (
    AMID,
    AT_END,
    BRIDGE,
    DRAWN,
    END,
    ENDS,
    FREE,
    HALF,
    HALF_SQUARED,
    LENGTH,
    LINE,
    LONE,
    MARK,
    OPEN,
    RIM,
    TONE,
    TONED,
    XX,
    XY,
    YY,
    Graph,
    X,
    Y,
    ellipses,
)

LEAST_MM = 0.03  # across an area; less is rounding
KIN = 0.5  # of the log of two widths: areas as wide as strokes of one series lie apart
LIKE = 0.7  # of the log of two areas, the same
SLENDER = 1.8  # times as long as wide, from which on an area has a direction
MM2 = 0.01  # of an ellipse, so that none is nothing


@dataclass(frozen=True)
class Shape:
    """Of each area, (n,): log of mm2 of free paper, log of mm across; slender : times as long as wide; full : of
    the ellipse of the same spread; way : (n, 2) its direction, twice the angle.
    """

    area: Array
    across: Array
    slender: Array
    full: Array
    way: Array


def looks(graph: Graph, cell_mm: float) -> dict[str, Array]:
    """(m,) each, by name."""
    shape, border = _shape(graph.areas, graph.wide, cell_mm), graph.borders
    one, two = graph.pairs.T
    length = border[:, LENGTH]
    round_ = np.maximum(_gathered(graph, length) + graph.areas[:, RIM], 1)

    def share(of: Array) -> Array:
        """Of the whole border of each area."""
        return _gathered(graph, of) / round_

    ink = np.maximum(length - border[:, OPEN], 1e-3)
    half = np.where(ink > 0.5, border[:, HALF] / ink, 0)
    uneven = np.sqrt(np.maximum(border[:, HALF_SQUARED] / ink - half**2, 0))
    kin = (np.abs(shape.across[one] - shape.across[two]) < KIN).astype(np.float64)
    way = (shape.way[one] * shape.way[two]).sum(axis=1)
    along = way * (np.minimum(shape.slender[one], shape.slender[two]) > SLENDER)
    bare, toned = share(border[:, OPEN]), share(border[:, TONE])
    pen = share(border[:, HALF]) / np.maximum(1 - bare, 1e-3)
    cells = np.maximum(graph.areas[:, FREE] + graph.areas[:, LINE], 1)
    seen = {
        "length": np.log(length),
        "open": border[:, OPEN] / length,
        "bridge": border[:, BRIDGE] / length,
        "tone": border[:, TONE] / length,
        "drawn": border[:, DRAWN] / length,
        "mark": border[:, MARK] / length,
        "amid": border[:, AMID] / length,
        "at_end": border[:, AT_END] / length,
        "lone": border[:, LONE] / length,
        "end": border[:, END] / length,
        "half": half / graph.drawn,
        "uneven": uneven / graph.drawn,
        "thick": half * cell_mm,
        "pens": np.full(len(half), graph.tone / graph.drawn),
        "kin": kin,
        "along": along,
    }
    of_area = {
        "area": shape.area,
        "across": shape.across,
        "slender": np.log(shape.slender),
        "rough": np.log(round_**2 / cells),
        "full": shape.full,
        "parts": np.log(graph.parts),
        "neighbors": np.log1p(_gathered(graph, np.ones(len(length)))),
        "bare": bare,
        "toned": toned,
        "near_tone": _around(graph, toned, round_),
        "strokes": graph.areas[:, TONED] / cells,
        "amid": share(border[:, AMID]),
        "outlined": share(border[:, DRAWN]),
        "bridged": share(border[:, BRIDGE]),
        "kin": share(length * kin),
        "series": share(length * kin * np.maximum(along, 0)),
        "like": share(length * (np.abs(shape.area[one] - shape.area[two]) < LIKE)),
        "around": _around(graph, shape.area, round_) - shape.area,
        "inked": graph.areas[:, LINE] / cells,
        "ends": np.log1p(graph.areas[:, ENDS]),
        "often": graph.areas[:, ENDS] / (cells * cell_mm**2),
        "rim": (graph.areas[:, RIM] > 0).astype(np.float64),
    }
    swap = graph.areas[one, FREE] > graph.areas[two, FREE]
    for word, which in (("small", np.where(swap, two, one)), ("large", np.where(swap, one, two))):
        seen |= {f"{name}_{word}": value[which] for name, value in of_area.items()}
        seen |= {f"share_{word}": length / round_[which], f"pen_{word}": half / np.maximum(pen[which], 0.1)}
    return seen | _of_both(graph, cell_mm)


def _of_both(graph: Graph, cell_mm: float) -> dict[str, Array]:
    """(m,) each, by name: of the one area that the two would be."""
    one, two = graph.pairs.T
    areas = graph.areas[one] + graph.areas[two]
    shape = _shape(areas, np.maximum(graph.wide[one], graph.wide[two]), cell_mm)

    def left(column: int) -> Array:
        """What is left of both borders when their common one is gone."""
        whole = _gathered(graph, graph.borders[:, column])
        return whole[one] + whole[two] - 2 * graph.borders[:, column]

    round_ = np.maximum(left(LENGTH) + areas[:, RIM], 1)
    return {
        "slender_both": np.log(shape.slender),
        "full_both": shape.full,
        "rough_both": np.log(round_**2 / np.maximum(areas[:, FREE] + areas[:, LINE], 1)),
        "outlined_both": left(DRAWN) / round_,
        "bare_both": left(OPEN) / round_,
        "toned_both": left(TONE) / round_,
    }


def _gathered(graph: Graph, of: Array) -> Array:
    """(n,) sums over the borders of each area. of : (m,)."""
    count = len(graph.areas)
    one, two = graph.pairs.T
    return np.asarray(np.bincount(one, of, count) + np.bincount(two, of, count))


def _around(graph: Graph, of: Array, round_: Array) -> Array:
    """(n,) mean over the neighbors of each area, by length of border. of : (n,)."""
    one, two = graph.pairs.T
    length, count = graph.borders[:, LENGTH], len(graph.areas)
    return np.asarray((np.bincount(one, length * of[two], count) + np.bincount(two, length * of[one], count)) / round_)


def _shape(areas: Array, wide: Array, cell_mm: float) -> Shape:
    """areas : (n, 9) sums. wide : (n,) mm across."""
    cells = np.maximum(areas[:, FREE] + areas[:, LINE], 1)
    ellipse = ellipses(areas[:, [X, Y, XX, YY, XY]] / cells[:, None])
    large, small = ellipse.large, np.maximum(ellipse.small, cell_mm**2 / 12)
    return Shape(
        np.log(np.maximum(areas[:, FREE], 0.5) * cell_mm**2),
        np.log(np.maximum(wide, LEAST_MM)),
        np.sqrt(np.maximum(large / small, 1)),
        cells * cell_mm**2 / (4 * np.pi * np.sqrt(np.maximum(large * small, 0)) + MM2),
        ellipse.way,
    )
