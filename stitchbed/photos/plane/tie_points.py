"""I tie photos of one work to each other by what they share, first roughly by points, then by full-size windows.

In: open photos; later, a plane that is roughly solved. Out: `TiePoints` for the solver, and how well they agree.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.core.errors import CardNotFound
from stitchbed.imaging.box import Box, clipped, grown, shifted, spanning
from stitchbed.imaging.gray import gray_of
from stitchbed.imaging.reduce import reduction_for
from stitchbed.imaging.transforms import affines_round
from stitchbed.matching.features import FeatureSettings, Keypoints, detect
from stitchbed.matching.homography_links import PhotoLink, PhotoLinkSettings, link_photos
from stitchbed.matching.pairs import PairSettings, choose
from stitchbed.matching.robust import robust_sigma
from stitchbed.matching.similarity_links import Sight, agreement, sight_of
from stitchbed.matching.subpixel import Sought, information, locate
from stitchbed.photos.geometry.plane_pose import PlaneFit, photo_from_plane, plane_from_photo
from stitchbed.photos.solving.bundle_adjustment import solve_plane
from stitchbed.photos.solving.contradictions import refusal_of
from stitchbed.photos.solving.initial_guess import CardPoints, TiePoints, in_sigmas
from stitchbed.photos.solving.plane_equations import PlaneSettings
from stitchbed.photos.survey.photo import Photo
from stitchbed.photos.survey.plane_types import Overlap

LOOSE_PX = 0.7  # rms per axis; a flat work leaves .01 to .1, points without windows a quarter px of their view
VIEW_SIDE = 2000  # px; finer than for scans, since three photos are few and shares small
POINTS = 3000
ROUGH_PX = 0.25  # sigma of a point, in px of that view (median .06 to .2 measured on scans; perspective adds)
SIGHT_SIDE = 240  # px of the view that links are judged by; coarse, as one perspective leaves out what a lens bends
LEAST_AGREEMENT = 0.6  # correlation of two such views; .95 measured for photos that overlap, .5 for equal dots
FARTHEST = 0.004  # of a photo's longer side: median distance at which a tie is still borne out by others
WINDOW_PX = 41  # of a photo at full size: some strokes wide, and small against what a lens bends
REACH_PX = 8
SLOW_PX = 10.0  # sigma of what is taken off windows: light, not drawing
LEAST_LIKE = 0.7  # correlation under which two windows are not one place
FINE_PX = 0.1  # no window's place is believed better; .01 to .02 measured on synthetic photos, real ones differ more
NOISE = 1.0  # gray levels that windows differ by at least
WELL_PX = 0.25  # of a window's place in any direction, to count in what is told of an overlap
MOST_TIES, FEWEST_KEPT = 2400, 24  # in all and for a pair: solving takes their number times that of the photos
FEWEST = 12  # ties by windows; with fewer the points stay


def solved_with_ties(
    photos: Sequence[Photo], points: Sequence[CardPoints], settings: PlaneSettings, *, tie: bool
) -> tuple[PlaneFit, list[TiePoints]]:
    """The plane by cards and, where asked, by what photos share: roughly at first, then by windows.

    Raises
    ------
    CardNotFound : see `solve_plane`.
    """
    sizes = [(photo.size[1], photo.size[0]) for photo in photos]
    rough = rough_ties(photos, links_between(photos)) if tie else []
    strong = strongest(rough, len(photos))
    try:
        fit = solve_plane(sizes, points, settings=settings, ties=strong)
    except CardNotFound as error:
        raise refusal_of(error, sizes, points, settings, strong) from error
    if not tie:
        return fit, []
    ties = fine_ties(photos, fit, believed(photos, fit, rough))
    return solve_plane(sizes, points, settings=settings, ties=ties, start=fit), ties


def links_between(photos: Sequence[Photo]) -> list[PhotoLink]:
    """Pairs of photos that overlap, with points they share, px of the photos at full size.

    A repeated motif may link photos that do not overlap; the pictures themselves must agree as well.
    """
    looks = [_look(photo) for photo in photos]
    found = []
    for i, j in choose([keypoints for keypoints, _ in looks], PairSettings()):
        link = link_photos((looks[i][0], looks[j][0]), (i, j), PhotoLinkSettings())
        if isinstance(link, PhotoLink) and agreement(link.b_from_a, (looks[i][1], looks[j][1])) > LEAST_AGREEMENT:
            found.append(link)
    return found


def rough_ties(photos: Sequence[Photo], links: Sequence[PhotoLink]) -> list[TiePoints]:
    """Ties as good as reduced views show them."""
    ties = []
    most = max(FEWEST_KEPT, MOST_TIES // max(1, len(links)))
    for link in links:
        sigma = ROUGH_PX * max(reduction_for(photos[i].size, VIEW_SIDE) for i in (link.a, link.b))
        ties.append(TiePoints(link.a, link.b, link.xy_a[:most], link.xy_b[:most], sigma))
    return ties


def strongest(ties: Sequence[TiePoints], count: int) -> list[TiePoints]:
    """The fewest ties that hang all photos together, those of most points; any other is checked against them."""
    group = list(range(count))
    kept = []
    for tie in sorted(ties, key=lambda tie: -len(tie.xy_a)):
        a, b = group[tie.a], group[tie.b]
        if a != b:
            kept.append(tie)
            group = [a if each == b else each for each in group]
    return kept


def believed(photos: Sequence[Photo], fit: PlaneFit, ties: Sequence[TiePoints]) -> list[TiePoints]:
    """Ties that a plane solved from cards and the strongest of them bears out."""
    kept = []
    for tie in ties:
        there = photo_from_plane(fit, tie.b, plane_from_photo(fit, tie.a, tie.xy_a))
        away = float(np.median(np.hypot(*(there - tie.xy_b).T)))
        if away < FARTHEST * max(photos[tie.b].size):
            kept.append(tie)
    return kept


def fine_ties(photos: Sequence[Photo], fit: PlaneFit, rough: Sequence[TiePoints]) -> list[TiePoints]:
    """The same places measured on windows of the photos at full size, where a rough plane says they are."""
    return [_fine(photos, fit, tie) for tie in rough]


def overlaps_of(fit: PlaneFit, ties: Sequence[TiePoints]) -> tuple[Overlap, ...]:
    """How well a solved plane explains what photos share; places far off, or hardly known, are not counted."""
    found = []
    for tie in ties:
        there = photo_from_plane(fit, tie.b, plane_from_photo(fit, tie.a, tie.xy_a))
        sigmas = np.hypot(*in_sigmas(tie, there).T)
        good = (sigmas <= 4.5 * max(1.0, robust_sigma(sigmas))) & _well_known(tie)
        away = np.hypot(*(there - tie.xy_b).T)[good]
        rms = float(np.sqrt(np.mean(away**2) / 2)) if good.any() else 0.0
        found.append(Overlap(tie.a, tie.b, int(good.sum()), rms))
    return tuple(found)


def loose_overlaps(photos: Sequence[Photo], overlaps: Sequence[Overlap]) -> list[str]:
    """Overlaps that do not fit as a flat work's should."""
    return [
        f"{photos[one.a].tile.name} and {photos[one.b].tile.name} fit each other only to {one.rms_px:.1f} px: look at "
        "the result there; the work may not be flat, or may have moved between the photos"
        for one in overlaps
        if one.rms_px > LOOSE_PX
    ]


def _well_known(tie: TiePoints) -> Mask:
    """(N,) places known to WELL_PX in any direction; the best half, where fewer are."""
    if tie.whitener is None:
        return np.ones(len(tie.xy_a), bool)
    worst = 1 / np.linalg.svd(tie.whitener, compute_uv=False)[:, -1]
    return np.asarray(worst <= max(WELL_PX, float(np.median(worst))))


def _look(photo: Photo) -> tuple[Keypoints, Sight]:
    """Points of a photo, and a small view to judge links by."""
    reduction = reduction_for(photo.small.shape, VIEW_SIDE)
    h, w = photo.small.shape[0] // reduction, photo.small.shape[1] // reduction
    crop = photo.small[: h * reduction, : w * reduction]
    view = cv2.resize(crop, (w, h), interpolation=cv2.INTER_AREA).reshape(h, w, -1)
    settings = FeatureSettings(view_side=VIEW_SIDE, most=POINTS)
    keypoints = detect(photo.tile.name, view, reduction * photo.reduction, settings)
    return keypoints, sight_of(gray_of(view), reduction * photo.reduction, SIGHT_SIDE)


def _fine(photos: Sequence[Photo], fit: PlaneFit, tie: TiePoints) -> TiePoints:
    one, two = photos[tie.a], photos[tie.b]
    half = WINDOW_PX // 2
    corners = np.rint(tie.xy_a).astype(int) - half
    affines = affines_round(
        lambda xy: photo_from_plane(fit, tie.b, plane_from_photo(fit, tie.a, xy)), corners + (WINDOW_PX - 1) / 2
    )
    templates, pictures, matrices, kept = [], [], [], []
    for corner, affine in zip(corners, affines, strict=True):
        box = Box(int(corner[1]), int(corner[0]), WINDOW_PX, WINDOW_PX)
        source = _source(box, affine)
        if _holds(one, box) and _holds(two, source):
            templates.append(_detail(one, box))
            pictures.append(_detail(two, source))
            matrices.append(affine - np.array([[0, 0, source.col], [0, 0, source.row]]))
            kept.append((corner + (WINDOW_PX - 1) / 2, affine))
    if len(kept) < FEWEST:
        return tie
    sought = Sought(np.array([at for at, _ in kept]) - (WINDOW_PX - 1) / 2, np.array(matrices))
    found = locate(templates, pictures, sought, reach=REACH_PX, least=LEAST_LIKE)
    if found.kept.sum() < FEWEST:
        return tie
    centers, ways = (np.array(part)[found.kept] for part in zip(*kept, strict=True))
    there = np.einsum("nij,nj->ni", ways[:, :, :2], centers + found.shift[found.kept]) + ways[:, :, 2]
    certain = information(found, WINDOW_PX, noise=NOISE, floor_px=FINE_PX)[found.kept]
    # whitener^T whitener is the information; shifts were found in photo a's px, errors count in photo b's
    whitener = np.linalg.cholesky(certain).transpose(0, 2, 1) @ np.linalg.inv(ways[:, :, :2])
    return TiePoints(tie.a, tie.b, centers, there, FINE_PX, np.asarray(whitener, dtype=np.float64))


def _detail(photo: Photo, box: Box) -> Floats:
    """(h, w) gray levels of a box without what changes slowly: light that falls off looks alike wherever it is laid."""
    wide = clipped(grown(box, round(2 * SLOW_PX)), Box(0, 0, *photo.size))
    gray = gray_of(photo.windows.window(wide))
    detail = gray - cv2.GaussianBlur(gray, (0, 0), SLOW_PX)
    return np.ascontiguousarray(detail[shifted(box, -wide.row, -wide.col).slices])


def _source(box: Box, affine: Array) -> Box:
    """What of the second photo a window and the room round it needs."""
    room = REACH_PX + 8
    low, high = np.array([box.col, box.row]) - room, np.array([box.right, box.bottom]) + room
    rim = np.array([low, [high[0], low[1]], high, [low[0], high[1]]], dtype=float)
    there = rim @ affine[:, :2].T + affine[:, 2]
    first, last = np.floor(there.min(0)).astype(int) - 2, np.ceil(there.max(0)).astype(int) + 3
    return spanning(int(first[1]), int(first[0]), int(last[1]), int(last[0]))


def _holds(photo: Photo, box: Box) -> bool:
    return box.row >= 0 and box.col >= 0 and box.bottom <= photo.size[0] and box.right <= photo.size[1]
