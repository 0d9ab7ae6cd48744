"""I join the cells of a pattern, of scales, bricks or hatching: what fine lines part and a bolder one closes in.

In: the graph of areas that is left when borders were weighed one by one. Out: what each area is joined into.

No border of such a cell differs from an outline; that there are many alike, or straight strokes that run one or two
ways between them, and a bolder line round them all, tells.
So what hangs together by lines up to a width is judged as a whole, for one width after the other, the boldest first.
The numbers in `patterns.txt` were learned on drawn pages whose areas are known (`tests/benches/learn_patterns.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from stitchbed.core.arrays import Array, Ints, Mask
from stitchbed.page.line_art.merging.graph import (
    AMID,
    AT,
    AT2,
    BOTH,
    BRIDGE,
    DOWN,
    DOWN2,
    DRAWN,
    ENDS,
    FREE,
    HALF,
    HALF_SQUARED,
    LENGTH,
    LINE,
    OPEN,
    RIM,
    SOLID_MM,
    TONE,
    TONED,
    Graph,
    ellipses,
)
from stitchbed.page.line_art.merging.trees import Trees, asked

BOLD = 0.9  # of all lines by length, below which lies the page's bold pen
WIDTHS = tuple(round(0.32 + 0.05 * n, 2) for n in range(13))  # of the bold pen
SLACK = 0.15  # cells, half a line's width
UNEVEN, APART = 0.4, 3.0  # cells: least unevenness of a line, and how far apart along it widths are by chance
MOSTLY = 0.5  # of a border
CELL_MM2, CELLS = 0.3, 2  # of a cell that counts, and how many a pattern has at least
MANY = 40.0  # cells, and more, are as many
# of an outline between cells that hang together elsewhere: times the lines within; cells, longer than crossings; share
# of the rim
SEAM, SEAM_LENGTH, MOST_SEAM = 1.4, 4, 0.03
BOLDER = 1.15  # times the lines within is the line round a pattern, at least
ODDS = 1.3  # log of them, from which on all is joined; high, as two areas are soon joined and hardly parted
THIN = 0.3  # cells, half the width; what is less is no line
AS_FINE, NEARLY = 1.2, 1.4  # times the lines within
BENT = (0.6, 0.02)  # cells, and share of its length, that a straight line is off itself
WAYS = 16  # directions counted in half a turn


@dataclass(frozen=True)
class Lines:
    """Of each border, (m,), in cells: half the line's width; how long the line is; whether one is there mostly; half
    the width it may have, as it is measured; whether it is straight; which of WAYS it runs. bold : half the page's bold
    pen.
    """

    half: Array
    ink: Array
    drawn: Mask
    sure: Array
    straight: Mask
    way: Ints
    bold: float


def joined_patterns(graph: Graph, cell_mm: float, trees: Trees) -> Ints:
    """(n,) what each area is joined into, from 0 without gaps."""
    count = len(graph.areas)
    into, done = np.arange(count), np.zeros(count, bool)
    for party, which, seen in parties(graph, cell_mm):
        whole = np.zeros(int(party.max()) + 1, bool)
        whole[which[asked(trees, seen) > ODDS]] = True
        new = whole[party] & ~done
        first = np.full(len(whole), count)
        np.minimum.at(first, party[new], np.flatnonzero(new))
        into[new] = first[party[new]]
        done |= new
    return np.asarray(np.unique(into, return_inverse=True)[1], np.int64)


def parties(graph: Graph, cell_mm: float) -> Iterator[tuple[Ints, Ints, dict[str, Array]]]:
    """What hangs together, width by width: the party of each area (n,), those that may be a pattern (k,), and what is
    seen of them, by name, (k,) each."""
    if not len(graph.pairs):
        return
    lines, one, two = border_lines(graph), *graph.pairs.T
    for width in reversed(WIDTHS):
        hung = lines.drawn & (lines.sure <= min(width * lines.bold + SLACK, SOLID_MM / cell_mm))
        links = coo_array(
            (np.ones(int(hung.sum())), (one[hung], two[hung])),
            shape=(len(graph.areas),) * 2,
        )
        party = connected_components(links, directed=False)[1].astype(np.int64)
        cells = np.bincount(party, graph.areas[:, FREE] * cell_mm**2 > CELL_MM2)
        if (cells >= CELLS).any():
            seen = _seen(graph, lines, party, cell_mm)
            like = (seen["bolder"] > BOLDER) & (seen["seam"] < MOST_SEAM)
            which = np.flatnonzero((cells >= CELLS) & like)
            if len(which):
                yield party, which, {name: value[which] for name, value in seen.items()}


def border_lines(graph: Graph) -> Lines:
    """What lies on each border."""
    length = graph.borders[:, LENGTH]
    ink = np.maximum(length - graph.borders[:, OPEN], 1e-3)
    half = np.where(ink > 0.5, graph.borders[:, HALF] / ink, 0)
    uneven = np.sqrt(np.maximum(graph.borders[:, HALF_SQUARED] / ink - half**2, 0))
    order = np.argsort(half, kind="stable")
    far = np.cumsum(ink[order])
    bold = half[order[min(int(np.searchsorted(far, BOLD * far[-1])), len(order) - 1)]]
    # a short border may look finer than it is by chance
    error = np.maximum(uneven, UNEVEN) / np.sqrt(np.maximum(ink, 1) / APART)
    drawn = (ink >= MOSTLY * length) & (graph.borders[:, BRIDGE] <= MOSTLY * length)
    sure, (straight, way) = half + np.minimum(error, 1), _courses(graph)
    return Lines(half, ink, drawn, sure, straight, way, max(float(bold), 0.5))


def _courses(graph: Graph) -> tuple[Mask, Ints]:
    """(m,) of each border: whether it is straight; which of WAYS it runs."""
    course = ellipses(graph.borders[:, [AT, DOWN, AT2, DOWN2, BOTH]] / graph.borders[:, [LENGTH]])
    straight = np.sqrt(course.small) < BENT[0] + BENT[1] * np.sqrt(12 * course.large)
    angle = np.arctan2(course.way[:, 1], course.way[:, 0]) / (2 * np.pi) % 1 * WAYS
    return np.asarray(straight), np.minimum(angle.astype(np.int64), WAYS - 1)


def _seen(graph: Graph, lines: Lines, party: Ints, cell_mm: float) -> dict[str, Array]:
    """(p,) each, by name: of each party."""
    count = int(party.max()) + 1
    one, two = party[graph.pairs].T
    apart = one != two
    half, ink, length = lines.half, lines.ink, graph.borders[:, LENGTH]

    def rim(of: Array) -> Array:
        return np.asarray(np.bincount(one[apart], of[apart], count) + np.bincount(two[apart], of[apart], count))

    def within(of: Array) -> Array:
        return np.asarray(np.bincount(one[~apart], of[~apart], count))

    inner, outer = np.maximum(within(ink), 1e-3), np.maximum(rim(ink), 1e-3)
    fine, bold = within(half * ink) / inner, rim(half * ink) / outer
    line = np.maximum(fine, THIN)
    finer = np.minimum(line[one], line[two])
    edge = np.bincount(party, graph.areas[:, RIM], count)
    many = np.bincount(party, minlength=count)
    return {
        "many": np.minimum(many, MANY),
        "bolder": bold / line,
        "as_fine": rim(ink * (half < AS_FINE * finer)) / outer,
        "nearly": rim(ink * (half < NEARLY * finer)) / outer,
        "seam": within(ink * ((half > SEAM * line[one]) & (ink >= SEAM_LENGTH))) / outer,
        "open": rim(graph.borders[:, OPEN]) / np.maximum(rim(length) + edge, 1),
        "edge": edge / np.maximum(rim(length) + edge, 1),
        "a_cell": inner / many * cell_mm,
        "amid": within(graph.borders[:, AMID]) / inner,
        "drawn": within(graph.borders[:, DRAWN]) / inner,
        "tone": within(graph.borders[:, TONE]) / inner,
        "uneven": np.sqrt(np.maximum(within(half**2 * ink) / inner - fine**2, 0)) / line,
        "fine": fine * cell_mm,
        "rim": bold * cell_mm,
        "bold": bold / lines.bold,
        "ends": np.log1p(np.bincount(party, graph.areas[:, ENDS], count)),
        "strokes": np.bincount(party, graph.areas[:, TONED], count)
        / np.maximum(np.bincount(party, graph.areas[:, FREE] + graph.areas[:, LINE], count), 1),
        "across": within(ink * np.minimum(graph.wide[one], graph.wide[two])) / inner,
        **_ways(graph, lines, party, count),
        **_sizes(graph.areas[:, FREE] * cell_mm**2, party, count),
    }


def _ways(graph: Graph, lines: Lines, party: Ints, count: int) -> dict[str, Array]:
    """(p,) each, by name: of the lines within each party, the share that is straight, that runs one way, or one of two
    ways."""
    one, two = party[graph.pairs].T
    within, ink = one == two, lines.ink
    straight = within & lines.straight
    whole = np.maximum(np.bincount(one[within], ink[within], count), 1e-3)
    straight_ink = np.bincount(one[straight] * WAYS + lines.way[straight], ink[straight], count * WAYS)
    shares = straight_ink.reshape(count, WAYS) / whole[:, None]
    pairs = shares + np.roll(shares, -1, axis=1)
    first = pairs.argmax(axis=1)
    off = (np.arange(WAYS) - first[:, None]) % WAYS
    second = np.where((off > 1) & (off < WAYS - 1), pairs, 0).max(axis=1)
    return {"straight": shares.sum(axis=1), "one_way": pairs.max(axis=1), "two_ways": pairs.max(axis=1) + second}


def _sizes(area: Array, party: Ints, count: int) -> dict[str, Array]:
    """(p,) each, of the areas of each party, by size: log of mm2; one sd; of the largest; its share. area : mm2."""
    log = np.log(np.maximum(area, 1e-3))
    whole = np.maximum(np.bincount(party, area, count), 1e-9)
    mean = np.bincount(party, area * log, count) / whole
    largest = np.zeros(count)
    np.maximum.at(largest, party, area)
    return {
        "mean": mean,
        "unlike": np.sqrt(np.maximum(np.bincount(party, area * log**2, count) / whole - mean**2, 0)),
        "largest": np.log(np.maximum(largest, 1e-3)),
        "share": largest / whole,
    }
