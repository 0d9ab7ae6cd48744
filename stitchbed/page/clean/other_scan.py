"""I lay another scan of the same sheet over a page, and say where on the page that is sure.

In: two pages of one sheet. Out: the affine from one to the other, and how far it may be off at any place.

Alike points alone may all lie in one corner, and a motion fitted to them be a millimeter off in the other: a field of
stars has few points that are like no other. So cells all over the page are sought in the other scan too, each near
where the motion of before puts it, and what is fitted to them tells how far it can be trusted where there were none.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.reduce import reduction_to
from stitchbed.imaging.transforms import moved
from stitchbed.matching.features import FeatureSettings, Keypoints, detect
from stitchbed.matching.homography_links import PhotoLinkSettings, link_photos
from stitchbed.matching.similarity_links import NoLink
from stitchbed.page.page import Page, luminance, overview

VIEW_PX = 1000  # of the longer side, in which the scans are matched
GATE = 0.004  # of the longer side; two scans of one bed differ by less
COARSEST = 0.75  # of the page's dpi; a coarser scan blurs away what it is asked about
CELL_DPI = 150.0  # at which cells are sought: dots of .1 mm still show
CELL_MM = 7.0
REACH_MM = (3.0, 1.5, 0.6)  # how far round its place a cell is sought, one search after the other
ALIKE, ALONE = 0.6, 0.8  # correlation from which a cell is found; of it, what another place may have at most
APART_MM = 0.4  # farther off lies another place
CLEAR = 0.02  # sd of a cell's light, of paper: emptier ones tell nothing
OFF_MM = 0.15  # a cell or point that is farther off than that is another motif, or bent paper
LEAST = 12  # cells and points that agree, for a fit to be better than the one before
LEAST_OFF_MM = 0.03  # sd that a cell is never known better: beds and paper bend
INDEPENDENT = 16  # so many places at most count, however many were found: neighbors are bent alike


@dataclass(frozen=True)
class Laid:
    """other_from_page : 3x3 px. spread : 3x3, the place (x, y, 1) px of the page on both its sides gives the variance
    px squared of either coordinate there."""

    other_from_page: Array
    spread: Array


def laid_over(page: Page, other: Page, *, name: str) -> Laid:
    """How the other scan lies on the page. name : of its file.

    Raises
    ------
    BadSettings : it is coarser than the page, or does not show the same sheet.
    """
    if other.dpi < COARSEST * page.dpi:
        raise BadSettings(
            f"{name} of {other.dpi:g} dpi as a second sight of a page of {page.dpi:g} dpi",
            expected="another scan about as fine",
            attempt=f"a scan at {page.dpi:g} dpi",
        )
    points = [_points(one, words) for one, words in ((page, "page"), (other, name))]
    link = link_photos((points[0], points[1]), (0, 1), PhotoLinkSettings(gate=GATE))
    if isinstance(link, NoLink):
        raise BadSettings(
            f"{name}, which does not show what the page shows: {link.reason}",
            expected="another scan of the same sheet, of the same side",
            attempt="--second with that scan, or none",
        )
    affine, _ = cv2.estimateAffine2D(link.xy_a, link.xy_b, method=cv2.LMEDS)
    first = np.vstack([affine, (0, 0, 1)]) if affine is not None else link.b_from_a
    return _by_cells(page, other, first, (link.xy_a, link.xy_b))


def spread_mm(laid: Laid, xy: Array, dpi: float) -> Array:
    """(n,) mm, one sd of where (n, 2) places px of the page lie in the other scan."""
    at = np.column_stack([xy, np.ones(len(xy))])
    return np.asarray(np.sqrt(np.einsum("ni,ij,nj->n", at, laid.spread, at)) / dpi * MM_PER_INCH)


def _by_cells(page: Page, other: Page, first: Array, points: tuple[Array, Array]) -> Laid:
    """The motion fitted to the points and to cells of the page, found in the other scan by the motion of before."""
    views, factors = zip(*(_view(one) for one in (page, other)), strict=True)
    per_mm = page.dpi / factors[0] / MM_PER_INCH
    page_from_view, other_from_view = (_scaled(f) for f in factors)
    motion = first
    found = points
    for reach in REACH_MM:
        lying = np.linalg.inv(other_from_view) @ motion @ page_from_view
        at, shift = _sought(views[0], views[1], lying, reach, per_mm)
        there = moved(motion, moved(page_from_view, at + shift)) if len(at) else np.zeros((0, 2))
        here = moved(page_from_view, at) if len(at) else np.zeros((0, 2))
        found = np.vstack([points[0], here]), np.vstack([points[1], there])
        better = _fitted(*found, OFF_MM * other.dpi / MM_PER_INCH)
        motion = motion if better is None else better
    return Laid(motion, _spread(*found, motion, page.dpi))


def _fitted(here: Array, there: Array, gate: float) -> Array | None:
    affine, kept = cv2.estimateAffine2D(here, there, method=cv2.RANSAC, ransacReprojThreshold=gate)
    if affine is None or int(kept.sum()) < LEAST:
        return None
    return np.vstack([affine, (0, 0, 1)])


def _spread(here: Array, there: Array, motion: Array, dpi: float) -> Array:
    """3x3 covariance of a row of the motion, from what the places it explains are off."""
    off = there - moved(motion, here)
    near = np.hypot(*off.T) < OFF_MM * dpi / MM_PER_INCH
    basis = np.column_stack([here[near], np.ones(int(near.sum()))])
    least = (LEAST_OFF_MM * dpi / MM_PER_INCH) ** 2
    variance = max(float((off[near] ** 2).mean()), least) if near.any() else least
    normal = basis.T @ basis * min(1.0, INDEPENDENT / max(len(basis), 1)) + np.diag([1e-9, 1e-9, 1e-3])
    return np.asarray(variance * np.linalg.inv(normal), np.float64)


def _sought(here: Floats, there: Floats, lying: Array, reach_mm: float, per_mm: float) -> tuple[Array, Array]:
    """(n, 2) middles px of cells found in the other view and nowhere else near, and the (n, 2) shift px to there."""
    cell, reach, apart = (round(mm * per_mm) for mm in (CELL_MM, reach_mm, APART_MM))
    high, wide = here.shape
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size, room = (wide + 2 * reach, high + 2 * reach), np.array([[1, 0, -reach], [0, 1, -reach], [0, 0, 1.0]])
    warped = cv2.warpPerspective(there, lying @ room, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    places, shifts = [], []
    for row in range(0, high - cell + 1, cell // 2):
        for col in range(0, wide - cell + 1, cell // 2):
            own = here[row : row + cell, col : col + cell]
            if own.std() < CLEAR:
                continue
            around = warped[row : row + cell + 2 * reach, col : col + cell + 2 * reach]
            found = _peak(cv2.matchTemplate(around, own, cv2.TM_CCOEFF_NORMED), apart)
            if found is not None:
                places.append((col + (cell - 1) / 2, row + (cell - 1) / 2))
                shifts.append(found - reach)
    return np.array(places, np.float64).reshape(-1, 2), np.array(shifts, np.float64).reshape(-1, 2)


def _peak(alike: NDArray[np.float32], apart: int) -> Array | None:
    """(x, y) px of the one peak, to parts of a pixel; None where it is low, at the rim, or not the only one."""
    _, best, _, (x, y) = cv2.minMaxLoc(alike)
    high, wide = alike.shape
    if best < ALIKE or not (0 < x < wide - 1 and 0 < y < high - 1):
        return None
    others = alike.copy()
    others[max(0, y - apart) : y + apart + 1, max(0, x - apart) : x + apart + 1] = -1
    if others.max() > ALONE * best:
        return None
    parts = [_top(alike[y, x - 1 : x + 2]), _top(alike[y - 1 : y + 2, x])]
    return np.array([x + parts[0], y + parts[1]])


def _top(three: NDArray[np.float32]) -> float:
    """Where a parabola through three values is highest, from the middle one."""
    left, middle, right = (float(v) for v in three)
    bend = left - 2 * middle + right
    return float(np.clip((left - right) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0


def _view(page: Page) -> tuple[Floats, int]:
    """The page seen small, its light as the eye takes it, and by how much it was made smaller."""
    factor = reduction_to(page.dpi, CELL_DPI)
    light = luminance(overview(page, factor)[0])
    return np.asarray(np.sqrt(np.clip(light, 0, 1)), np.float32), factor


def _points(page: Page, name: str) -> Keypoints:
    factor = max(1, round(max(page.height, page.width) / VIEW_PX))
    light = overview(page, factor)[0]
    view = np.rint(255 * np.sqrt(np.clip(light, 0, 1))).astype(np.uint8)
    return detect(name, view, factor, FeatureSettings(view_side=VIEW_PX))


def _scaled(factor: int) -> Array:
    """px of the page from px of a view of it that is `factor` times smaller."""
    return np.array([[factor, 0, (factor - 1) / 2], [0, factor, (factor - 1) / 2], [0, 0, 1.0]])
