"""I even out the paper: where its white has fallen off by lamp, edge or age, I say by how much.

In: linear light of a page, block by block. Out: a `White` map; light divided by it is light relative to paper.

Cells of a few mm are asked for the light most of their paper has; cells under washes or solid ink are told from paper
by the step at their rim, for a lamp falls off slowly.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from stitchbed.core.arrays import Floats, Ints, Labels, Mask
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.reduce import reduction_to, shrunk
from stitchbed.page.page import Page, linear, luminance

DARKEST = np.float32(1e-4)  # of light; nothing is divided by less


@dataclass(frozen=True)
class PaperSettings:
    """cell : mm; several pens wide, so that paper shows between strokes, and small beside any shadow.

    smooth : mm, one sd of the map; step : share by which a wash differs from paper at its rim, at least;
    tint : share by which its color does.
    """

    cell: float = 3.0
    smooth: float = 3.0
    step: float = 0.04
    tint: float = 0.02


@dataclass(frozen=True)
class White:
    """grid : (gh, gw, c) linear light of bare paper at the middles of cells of `cell` px; the first cell begins at
    `row`, `col` px of the page. paper : (gh, gw) cells that showed paper. mean : (c,) the page's paper color.
    cells : (gh, gw, c) light of the lightest of each cell as it was seen. doubted : (gh, gw) cells that look like
    paper, where it was not believed; None where nothing did.
    """

    grid: Floats
    row: int
    col: int
    cell: int
    paper: Mask
    mean: Floats
    cells: Floats
    doubted: Mask | None = None


def survey(page: Page, area: Box, settings: PaperSettings, *, workers: int = 1, progress: Progress = silent) -> White:
    """The white map of the part `area` of a page."""
    factor = reduction_to(page.dpi, 300)
    cell = max(4, round(settings.cell / MM_PER_INCH * page.dpi / factor)) * factor
    high, wide = int(-(-area.height // cell)), int(-(-area.width // cell))
    grid = np.zeros((high, wide, page.channels), np.float32)

    def strip(row: int) -> Floats:
        box = Box(area.row + row * cell, area.col, cell, wide * cell)
        return _cells(shrunk(linear(page, box), factor), cell // factor)

    strips = in_order(strip, range(high), workers)
    for row, values in enumerate(counted(strips, "looking for bare paper", high, progress)):
        grid[row] = values
    return fitted(grid, area, cell, settings, page.dpi)


def fitted(grid: Floats, area: Box, cell: int, settings: PaperSettings, dpi: float) -> White:
    """The white map from (gh, gw, c) light of the lightest of each cell: paper kept, the rest bridged."""
    light = luminance(grid)
    whole = _upper_surface(light)
    sigma = max(0.5, settings.smooth / MM_PER_INCH * dpi / cell)
    sheets = _sheets(grid, light, settings)
    tinted = whole[..., None] * _tint(grid, light, whole)
    paper = _largest_near(sheets, _like(grid, tinted, 2 * settings.step, settings.tint))
    smooth = _bridged(grid, paper, sigma, whole)
    for _ in range(12):
        again = _joining(sheets, _like(grid, smooth, settings.step, settings.tint)) | paper
        if np.array_equal(again, paper):
            break
        paper, smooth = again, _bridged(grid, again, sigma, whole)
    mean = np.median(grid[paper], axis=0) if paper.any() else np.median(grid.reshape(-1, grid.shape[2]), axis=0)
    return White(smooth, area.row, area.col, cell, paper, mean.astype(np.float32), grid)


def white_at(white: White, box: Box) -> Floats:
    """(h, w, c) light of bare paper in a box, bilinear between cell middles."""
    return grid_at(white.grid, white.row, white.col, white.cell, box)


def grid_at(grid: Floats, row: int, col: int, cell: int, box: Box) -> Floats:
    """(h, w, c) values in a box, bilinear between the middles of cells of `cell` px of (gh, gw, c) `grid`.

    row, col : px of the page where the first cell begins.
    """
    return _looked_up(grid, (row, col, cell), np.arange(box.row, box.bottom), np.arange(box.col, box.right))


def over_white(light: Floats, white: White, box: Box) -> Floats:
    """(h, w, c) light of a box relative to that of bare paper there; `light` itself is overwritten."""
    light = np.ascontiguousarray(light)
    at = (white.row, white.col, white.cell)
    lines = _lines(white.grid, at, np.arange(box.row, box.bottom), np.arange(box.col, box.right))
    _divide(*lines, light.reshape(box.height, -1))
    return light


def paper_small(white: White, factor: int, shape: tuple[int, ...]) -> Floats:
    """(h, w, c) light of bare paper on a page seen small by `factor`, of `shape` (h, w, ...)."""
    rows, cols = (np.arange(n) * factor + factor // 2 for n in shape[:2])
    return np.maximum(_looked_up(white.grid, (white.row, white.col, white.cell), rows, cols), DARKEST)


def unevenness(white: White, *, evened: bool = False) -> float:
    """Range / mean of the light of cells of paper, 1st to 99th percentile, as scanned or after evening.

    FADGI (2016) calls it illuminance non-uniformity. 0 when no cell shows paper.
    """
    seen = white.cells / np.maximum(white.grid, 1e-6) if evened else white.cells
    light = luminance(np.asarray(seen, np.float32))[white.paper]
    if not light.size:
        return 0.0
    low, high = np.percentile(light, (1, 99))
    return float((high - low) / max(float(light.mean()), 1e-6))


def _cells(light: Floats, side: int) -> Floats:
    """(n, c) light most of the lightest px of each side x side cell have, by mean shift from the top of the cell."""
    count = light.shape[1] // side
    cells = light.reshape(side, count, side, -1).transpose(1, 0, 2, 3).reshape(count, side * side, -1)
    gray = luminance(cells)
    center = np.percentile(gray, 95, axis=1)[:, None]
    for _ in range(6):
        near = np.abs(gray - center) < 0.05 * center
        center = (gray * near).sum(axis=1, keepdims=True) / np.maximum(near.sum(axis=1, keepdims=True), 1)
    return np.asarray((cells * near[..., None]).sum(axis=1) / np.maximum(near.sum(axis=1), 1)[:, None], np.float32)


def _sheets(grid: Floats, light: Floats, settings: PaperSettings) -> Labels:
    """(gh, gw) numbers of fields of cells within which light never jumps: a lamp falls off slowly, a wash has a rim."""
    number = np.arange(light.size).reshape(light.shape)
    links = []
    for axis in (0, 1):
        first, second = (np.moveaxis(m, axis, 0) for m in (grid[..., None, :], number[..., None]))
        ratio = first[1:, :, 0] / np.maximum(first[:-1, :, 0], 1e-6)
        level = ratio.mean(axis=2)
        calm = (np.abs(level - 1) < settings.step / 2) & (
            np.abs(ratio - level[..., None]).max(axis=2) < settings.tint / 2
        )
        links.append(np.stack([second[:-1, :, 0][calm], second[1:, :, 0][calm]]))
    a, b = np.concatenate(links, axis=1)
    graph = coo_array((np.ones(len(a)), (a, b)), shape=(light.size, light.size))
    return np.asarray(connected_components(graph, directed=False)[1], np.int32).reshape(light.shape)


def _largest_near(sheets: Labels, near: Mask) -> Mask:
    """The field with the most cells that look like paper; all of its cells."""
    count = np.bincount(sheets[near], minlength=int(sheets.max()) + 1)
    return np.asarray((sheets == count.argmax()) if near.any() else np.zeros(sheets.shape, bool))


def _joining(sheets: Labels, near: Mask) -> Mask:
    """All cells of fields most of whose cells look like the paper around them."""
    size = np.bincount(sheets.ravel())
    like = np.bincount(sheets.ravel(), near.ravel(), len(size))
    return np.asarray((like > 0.7 * size)[sheets])


def _upper_surface(light: Floats) -> Floats:
    """(gh, gw) smooth surface of second order laid over the lighter cells: darker ones weigh ever less."""
    high, wide = light.shape
    y, x = np.meshgrid(np.linspace(-1, 1, high), np.linspace(-1, 1, wide), indexing="ij")
    terms = np.stack([np.ones_like(x), x, y, x * y, x * x, y * y], axis=2).reshape(-1, 6)
    terms = terms[:, : 6 if min(high, wide) > 3 else 1]
    value, weight = light.ravel().astype(np.float64), np.ones(light.size)
    surface = value
    for _ in range(20):
        fit = np.linalg.lstsq(terms * weight[:, None], value * weight, rcond=None)[0]
        surface = terms @ fit
        below = (surface - value) / np.maximum(surface, 1e-6)
        weight = np.where(below > 0.01, 0.02 + np.exp(-((below / 0.05) ** 2)), 1.0)
    return surface.reshape(high, wide).astype(np.float32)


def _tint(grid: Floats, light: Floats, whole: Floats) -> Floats:
    """(c,) color of the paper for luminance 1, from the cells near the surface."""
    near = np.abs(light / np.maximum(whole, 1e-6) - 1) < 0.03
    chosen = grid[near] if near.any() else grid.reshape(-1, grid.shape[2])
    middle = np.median(chosen, axis=0)
    return np.asarray(middle / max(float(luminance(middle[None, None].astype(np.float32))[0, 0]), 1e-6), np.float32)


def _like(grid: Floats, expected: Floats, step: float, tint: float) -> Mask:
    """(gh, gw) cells within `step` of what is expected in luminance and within `tint` in color."""
    ratio = grid / np.maximum(expected, 1e-6)
    level = ratio.mean(axis=2)
    spread = np.abs(ratio / np.maximum(level, 1e-6)[..., None] - 1).max(axis=2)
    return np.asarray((np.abs(level - 1) < step) & (spread < tint))


def _bridged(grid: Floats, paper: Mask, sigma: float, whole: Floats) -> Floats:
    """The paper cells smoothed, and carried on under the others; far from any paper the whole surface serves.

    What is smoothed is the ratio to the whole surface, so that slopes go on where cells end.
    """
    ratio = grid / np.maximum(whole[..., None], 1e-6)
    known = paper.astype(np.float32)
    total = np.zeros_like(ratio)
    weight = np.zeros_like(known)
    for factor, trust in ((1.0, 1.0), (4.0, 1e-3), (16.0, 1e-6)):
        near = cv2.GaussianBlur(known, (0, 0), sigma * factor, borderType=cv2.BORDER_REFLECT)
        sums = cv2.GaussianBlur(ratio * known[..., None], (0, 0), sigma * factor, borderType=cv2.BORDER_REFLECT)
        total += trust * sums.reshape(ratio.shape)
        weight += trust * near
    middle = np.median(ratio[paper], axis=0) if paper.any() else np.ones(grid.shape[2], np.float32)
    total += 1e-12 * middle
    weight += 1e-12
    return np.asarray(whole[..., None] * total / weight[..., None], np.float32)


def _looked_up(grid: Floats, at: tuple[int, int, int], rows: Ints, cols: Ints) -> Floats:
    """(n, m, c) values of `grid` at rows and columns of the page."""
    values = np.empty((len(rows), len(cols) * grid.shape[2]), np.float32)
    _between(*_lines(grid, at, rows, cols), values)
    return values.reshape(len(rows), len(cols), -1)


def _lines(grid: Floats, at: tuple[int, int, int], rows: Ints, cols: Ints) -> tuple[Floats, Ints, Floats]:
    """(k, m * c) values along those lines of `grid` that (n,) ascending `rows` lie between; for each row the line
    before it, and the share of the next one. at : row, col where the first cell begins, px of a cell."""
    low, high, share = _weights(rows, at[0], at[2], grid.shape[0])
    near = grid[int(low[0]) : int(high[-1]) + 1]
    left, right, part = _weights(cols, at[1], at[2], grid.shape[1])
    along = near[:, left] * (1 - part[:, None]) + near[:, right] * part[:, None]
    lines = np.concatenate([along, along[-1:]])  # the last row has a next one too, which counts for nothing
    return np.ascontiguousarray(lines, np.float32).reshape(len(lines), -1), low - low[0], share


@compiled
def _between(lines: Floats, low: Ints, share: Floats, values: Floats) -> None:
    """Fill `values` (h, n) with what lies between two lines."""
    for y in range(values.shape[0]):
        above, below, part = lines[low[y]], lines[low[y] + 1], share[y]
        for i in range(values.shape[1]):
            values[y, i] = above[i] * (np.float32(1) - part) + below[i] * part


@compiled
def _divide(lines: Floats, low: Ints, share: Floats, light: Floats) -> None:
    """Divide `light` (h, n) by what lies between two lines, DARKEST at least."""
    for y in range(light.shape[0]):
        above, below, part = lines[low[y]], lines[low[y] + 1], share[y]
        for i in range(light.shape[1]):
            paper = above[i] * (np.float32(1) - part) + below[i] * part
            light[y, i] /= max(paper, DARKEST)


def _weights(places: Ints, start: int, cell: int, count: int) -> tuple[Ints, Ints, Floats]:
    """Cells before and after each pixel and the share of the later one."""
    at = np.clip((places - start + 0.5) / cell - 0.5, 0, count - 1)
    low = np.minimum(at.astype(np.int64), count - 1)
    return low, np.minimum(low + 1, count - 1), (at - low).astype(np.float32)
