"""I even out the lamp alone: a slow surface through the lightest paper, which no wash can bend.

In: the map of a page's lightest light. Out: a map of white that leaves pale washes and soft shading as they are.

On pages in pencil or paint a cell a little darker than its neighbors may be a wash of one percent, so cells are not
asked one by one: one polynomial goes over the whole sheet, drawn to what is light. A picture painted to its edges may
show no paper at all: then its lightest color is a color, and nothing may be made white by it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.page.page import luminance, luminance_at
from stitchbed.page.sheet.white import White

DEGREE = 4  # of the polynomial; fall-off of a lamp and of a lens are even powers up to the fourth
CELLS_PER_TERM = 6  # of paper; fewer hold no higher degree
ROUNDS = 30
# paper lies all over a page, or goes round it; a pale sky, the lightest color of a picture painted to its edges, ends
# above the ground
MOST_PAPER, ROUND, LEAST_SIDE = 0.8, 0.6, 0.1
RIM = 2  # cells; the outermost may lie half beyond the sheet
BESIDE = 0.15  # of a page's length that a lid which was not cut off may take on a side
LIKE_LID, MOST_ALIKE = 0.1, 0.1  # of light; of the sheet's cells that may look like what lies beside it
LEAST_TINT = 0.3  # least over most of the channels' light; wrapping paper has a third, yellow paint a tenth
DARKEST_PAPER = 0.05  # of full light, a lightness of 27
PALE, SOME = 0.57, 0.1  # of full light, a lightness of 80; of a page: darker or less is hardly taken for bare paper
BELOW, ABOVE = 0.004, 0.02  # of the paper's light: darker cells weigh ever less from here on, lighter ones from there


def lamp_only(white: White) -> White:
    """The same map with its grid a smooth surface over the lightest cells; as it was where no cell shows paper."""
    if not white.paper.any():
        return white
    light = np.log(np.maximum(luminance(white.cells), 1e-4)).astype(np.float64)
    terms = _terms(light.shape, int(white.paper.sum()))
    shown = white.paper.ravel().astype(np.float64)
    weight: Array = shown
    for _ in range(ROUNDS):
        fit = _solved(terms, light.reshape(-1, 1), weight)
        off = light.ravel() - (terms @ fit)[:, 0]
        weight = shown * np.exp(-((off / np.where(off < 0, BELOW, ABOVE)) ** 2)) + 1e-6
    channels = np.log(np.maximum(white.cells, 1e-4)).reshape(light.size, -1).astype(np.float64)
    grid = np.exp(terms @ _solved(terms, channels, weight)).reshape(white.grid.shape)
    near = weight > 0.5
    mean = np.median(white.cells.reshape(light.size, -1)[near], axis=0) if near.any() else white.mean
    return replace(white, grid=grid.astype(np.float32), mean=np.asarray(mean, np.float32))


def shows_paper(white: White) -> bool:
    """Whether what looked like paper can be it: nearly all of a page or what goes round it, light, of no strong color.

    Round it: most of three sides, and some of the fourth. A lid beside the sheet, without paper, is passed over.
    """
    paper = white.paper[_sheet(white)]
    sides = sorted(
        float(side.mean())
        for side in (
            paper[:RIM].any(axis=0), paper[-RIM:].any(axis=0), paper[:, :RIM].any(axis=1), paper[:, -RIM:].any(axis=1)
        )
    )  # fmt: skip
    enough = paper.mean() >= MOST_PAPER or (sides[0] >= LEAST_SIDE and sides[1] >= ROUND)
    return bool(enough and _of_paper(white))


def as_scanned(white: White) -> White:
    """A map by which light stays what it is, for a page without paper; cells as light as white paper are doubted."""
    pale = _of_paper(white) and luminance_at(white.mean) >= PALE
    doubted = white.paper if white.paper.mean() >= SOME and pale else None
    ones, none = np.ones_like(white.grid), np.zeros_like(white.paper)
    return replace(white, grid=ones, mean=np.ones_like(white.mean), paper=none, doubted=doubted)


def _of_paper(white: White) -> bool:
    """Whether what looked like paper is light, of no strong color."""
    light = luminance_at(white.mean) >= DARKEST_PAPER
    return bool(light and white.mean.min() >= LEAST_TINT * white.mean.max())


def _sheet(white: White) -> tuple[slice, slice]:
    """Rows and columns that paper spans, where what lies beside them is a lid: little within looks like it."""
    part = (_within(white.paper.mean(axis=1)), _within(white.paper.mean(axis=0)))
    beside = np.ones(white.paper.shape, bool)
    beside[part] = False
    if not beside.any():
        return part
    lid = np.median(white.cells[beside], axis=0)
    alike = (np.abs(white.cells[part] / np.maximum(lid, 1e-4) - 1) < LIKE_LID).all(axis=2) & ~white.paper[part]
    return part if alike.mean() < MOST_ALIKE else (slice(None), slice(None))


def _within(shares: Array) -> slice:
    """The part of rows or columns, with (n,) shares of paper, that begins and ends with some paper, within bounds."""
    most = round(BESIDE * len(shares))
    some = np.flatnonzero(shares >= LEAST_SIDE)
    if not some.size:
        return slice(0, len(shares))
    return slice(min(int(some[0]), most), max(int(some[-1]) + 1, len(shares) - most))


def _terms(shape: tuple[int, ...], cells: int) -> Array:
    """(gh * gw, t) Legendre products up to the highest degree the cells of paper hold."""
    y, x = (np.linspace(-1, 1, n) if n > 1 else np.zeros(1) for n in shape)
    degree = next((d for d in range(DEGREE, 0, -1) if (d + 1) * (d + 2) // 2 * CELLS_PER_TERM <= cells), 0)
    rows, cols = (np.polynomial.legendre.legvander(at, degree) for at in (y, x))
    kept = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    return np.stack([np.outer(rows[:, i], cols[:, j]).ravel() for i, j in kept], axis=1)


def _solved(terms: Array, values: Array, weight: Array) -> Array:
    root = np.sqrt(weight)[:, None]
    return np.asarray(np.linalg.lstsq(terms * root, values * root, rcond=None)[0])
