"""I hold what was seen of cards and sides, and find where the solving of a plane can begin.

In: card corners in photos. Out: rough views and card places as a vector of unknowns.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.core.errors import CardNotFound
from stitchbed.imaging.transforms import fit_affine
from stitchbed.photos.geometry.lens import Lens
from stitchbed.photos.geometry.plane_pose import UNIT_MM, Frame, inverted, placed, through, view_of, views_of

FEWEST_SEEN = 12  # points for a view with perspective
NEARLY_NOTHING = 1e-9


@dataclass(frozen=True)
class CardPoints:
    """Corners of one card in one photo. card_xy : (N, 2) nominal mm. photo_xy : (N, 2) px. sigma : px."""

    photo: int
    card: str
    card_xy: Array
    photo_xy: Array
    sigma: float


@dataclass(frozen=True)
class SidePoints:
    """Points along one straight side of the artwork in one photo. photo_xy : (N, 2) px. sigma : px.

    line : (a, b, c), a x + b y = c in plane mm, when its place is known; None when it is only known to be straight.
    """

    photo: int
    side: str
    photo_xy: Array
    sigma: float
    line: Array | None = None


@dataclass(frozen=True)
class TiePoints:
    """Places of the work that two photos see.

    a, b : photos. xy_a, xy_b : (N, 2) px. sigma : px, of xy_b if xy_a were true. whitener : (N, 2, 2) px^-1, turns an
    error of xy_b into one of unit variance, where each point's own is known: along an edge a place is hardly known.
    """

    a: int
    b: int
    xy_a: Array
    xy_b: Array
    sigma: float
    whitener: Array | None = None


def in_sigmas(tie: TiePoints, seen: Array) -> Array:
    """(N, 2) how far off in photo b, in sigmas, `seen` (N, 2) px lies."""
    away = seen - tie.xy_b
    if tie.whitener is None:
        return np.asarray(away / tie.sigma, dtype=np.float64)
    return np.asarray(np.einsum("nij,nj->ni", tie.whitener, away), dtype=np.float64)


def chosen(tie: TiePoints, keep: NDArray[np.bool_]) -> TiePoints:
    """Some of its points."""
    whitener = None if tie.whitener is None else tie.whitener[keep]
    return replace(tie, xy_a=tie.xy_a[keep], xy_b=tie.xy_b[keep], whitener=whitener)


def first_guess(frame: Frame, cards: Sequence[CardPoints], ties: Sequence[TiePoints] = ()) -> Array:
    """Views from the cards and ties placed so far, other cards placed through them; lens at zero."""
    params = np.zeros(frame.starts[4])
    poses: dict[str, Array] = {frame.cards[0]: np.zeros(3)}
    waiting = list(range(len(frame.base)))
    while waiting:
        placed_views = {i: v for i, v in enumerate(views_of(frame, params)) if i not in waiting}
        photo, plane, seen = _next_photo(waiting, poses, cards, _through_ties(waiting, placed_views, ties))
        waiting.remove(photo)
        params[8 * photo : 8 * photo + 8] = _seen_so(frame.base[photo], plane, seen)
        inverse = inverted(view_of(frame, params, photo))
        for points in cards:
            if points.photo == photo and points.card not in poses:
                poses[points.card] = _rigid(points.card_xy, through(inverse, points.photo_xy))
    for name in frame.cards[1:]:
        at = frame.pose_start(name)
        params[at : at + 3] = poses[name] / np.array([UNIT_MM, UNIT_MM, 1.0])
    return params


def _next_photo(
    waiting: Sequence[int],
    poses: Mapping[str, Array],
    cards: Sequence[CardPoints],
    tied: Mapping[int, list[tuple[Array, Array]]],
) -> tuple[int, Array, Array]:
    """The first photo that can be placed, and points to place it by: (N, 2) plane mm, (N, 2) px; cards go first."""
    by_cards = {
        photo: [(placed(poses[p.card], p.card_xy), p.photo_xy) for p in cards if p.photo == photo and p.card in poses]
        for photo in waiting
    }
    for known in (by_cards, tied):
        for photo in waiting:
            if known.get(photo):
                plane, seen = zip(*known[photo], strict=True)
                return photo, np.concatenate(plane), np.concatenate(seen)
    raise CardNotFound(
        f"photo {waiting[0] + 1} shares neither a card nor enough of the work with the other photos",
        expected="photos that overlap by a third, or a card seen in two photos and not moved in between",
        attempt="photograph again with more overlap and the cards left in place, or rectify that photo alone",
    )


def _through_ties(
    waiting: Sequence[int], views: Mapping[int, Array], ties: Sequence[TiePoints]
) -> dict[int, list[tuple[Array, Array]]]:
    """For each waiting photo, what it shares with placed ones: plane mm through these, px in it."""
    found: dict[int, list[tuple[Array, Array]]] = {}
    for tie in ties:
        for here, there, xy_here, xy_there in ((tie.a, tie.b, tie.xy_a, tie.xy_b), (tie.b, tie.a, tie.xy_b, tie.xy_a)):
            if here in waiting and there in views:
                found.setdefault(here, []).append((through(inverted(views[there]), xy_there), xy_here))
    return found


def _seen_so(lens: Lens, plane: Array, photo_xy: Array) -> Array:
    """(8,) of a view from plane mm (counted in UNIT_MM) to half diagonals about the photo's middle.

    With perspective, where points tell it: an affine view of one corner card puts the others far off, and solving
    from there takes a hundred times as long.
    """
    seen, flat = (photo_xy - lens.center) / lens.radius, plane / UNIT_MM
    if len(flat) >= FEWEST_SEEN:
        found = cv2.findHomography(flat, seen, 0)[0]
        if found is not None and abs(found[2, 2]) > NEARLY_NOTHING:
            view = np.asarray(found / found[2, 2], dtype=np.float64)
            if np.all(flat @ view[2, :2] + 1 > 0):
                return view.ravel()[:8]
    return np.append(fit_affine(flat, seen).ravel(), [0.0, 0.0])


def _rigid(src: Array, dst: Array) -> Array:
    """(x, y, turn) taking src nearest to dst. Reference: Umeyama (1991), doi 10.1109/34.88573, without scale."""
    a, b = src - src.mean(0), dst - dst.mean(0)
    turn = float(np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b)))
    moved = placed(np.array([0.0, 0.0, turn]), src.mean(0)[None])[0]
    return np.array([*(dst.mean(0) - moved), turn])
