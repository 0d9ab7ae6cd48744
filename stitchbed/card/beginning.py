"""I hold what was seen of cards and sides, and find where the solving of a plane can begin.

In: card corners in photos. Out: rough views and card places as a vector of unknowns.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitchbed.card.lens import Lens
from stitchbed.card.plane import UNIT_MM, Frame, inverted, placed, through, views_of
from stitchbed.ground.errors import CardNotFound

Array = NDArray[np.float64]


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


def first_guess(frame: Frame, cards: Sequence[CardPoints]) -> Array:
    """Affine views from the cards placed so far, other cards placed through them; perspective and lens at zero."""
    params = np.zeros(frame.starts[4])
    poses: dict[str, Array] = {frame.cards[0]: np.zeros(3)}
    waiting = list(range(len(frame.base)))
    while waiting:
        photo = _next_photo(waiting, poses, cards)
        waiting.remove(photo)
        known = [p for p in cards if p.photo == photo and p.card in poses]
        params[8 * photo : 8 * photo + 6] = _affine(frame.base[photo], known, poses).ravel()
        inverse = inverted(views_of(frame, params)[photo])
        for points in cards:
            if points.photo == photo and points.card not in poses:
                poses[points.card] = _rigid(points.card_xy, through(inverse, points.photo_xy))
    for index, name in enumerate(frame.cards[1:]):
        at = frame.starts[1] + 3 * index
        params[at : at + 3] = poses[name] / np.array([UNIT_MM, UNIT_MM, 1.0])
    return params


def _next_photo(waiting: Sequence[int], poses: Mapping[str, Array], cards: Sequence[CardPoints]) -> int:
    for photo in waiting:
        if any(points.photo == photo and points.card in poses for points in cards):
            return photo
    raise CardNotFound(
        f"photo {waiting[0] + 1} shows no card that hangs together with the other photos",
        expected="at least one card seen in two photos, none of them moved in between",
        attempt="rectify that photo alone, or photograph again with the same cards left in place",
    )


def _affine(lens: Lens, known: Sequence[CardPoints], poses: Mapping[str, Array]) -> Array:
    """(2, 3) from plane (UNIT_MM) to half diagonals about the photo's middle."""
    plane = np.concatenate([placed(poses[p.card], p.card_xy) for p in known]) / UNIT_MM
    seen = (np.concatenate([p.photo_xy for p in known]) - lens.center) / lens.radius
    design = np.column_stack([plane, np.ones(len(plane))])
    return np.asarray(np.linalg.lstsq(design, seen, rcond=None)[0].T, dtype=np.float64)


def _rigid(src: Array, dst: Array) -> Array:
    """(x, y, turn) taking src nearest to dst. Reference: Umeyama (1991), doi 10.1109/34.88573, without scale."""
    a, b = src - src.mean(0), dst - dst.mean(0)
    turn = float(np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b)))
    moved = placed(np.array([0.0, 0.0, turn]), src.mean(0)[None])[0]
    return np.array([*(dst.mean(0) - moved), turn])
