"""I am the artwork's plane as photos show it: each photo's view and lens, each card's place, and how sure that is.

In: a solution of `adjustment`. Out: plane mm <-> photo px, and the uncertainty of shapes in mm.

Frames: `card` mm from the card's top left corner (x right, y down); `plane` mm on the artwork (the first card's frame);
`photo` px. The unknowns stand in one vector, in an order that `Frame` knows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.photos.geometry.lens import Lens, distorted, undistorted
from stitchbed.photos.sides.lines import side_lengths

UNIT_MM = 100.0  # plane lengths among the unknowns are counted in this, so that all unknowns are of like size
LENS_TERMS = 6  # k1, k2, center x and y, p1, p2
SIGMAS_95_IN_PLANE = 2.448  # a circle of this many sigmas holds 95 % of a two-dimensional normal error (chi2 = 5.991)
SIGMAS_95 = 1.9599  # the same of one that has one direction only
LEFT_OUT = 0.05  # share of errors beyond a circle of 95 %
DRAWS = 20_000  # of errors of all points together: a quantile of 95 % to half a percent of its size
DIRECTIONS, HALVINGS = 256, 40  # of the circle's mean and of its search: exact to 1e-9 where one axis has a tenth


@dataclass(frozen=True)
class Frame:
    """Where each unknown stands in the vector: views (8 each), lenses (6), card poses (3), free lines (2), print (2).

    base : each photo's lens before distortion. cards : the first one fixes the plane. sides : lines to be found.
    """

    base: tuple[Lens, ...]
    cards: tuple[str, ...]
    sides: tuple[str, ...]
    shared_lens: bool

    @property
    def starts(self) -> tuple[int, int, int, int, int]:
        """First index of lenses, poses, lines, print, and the total count."""
        lens = 8 * len(self.base)
        poses = lens + LENS_TERMS * (1 if self.shared_lens else len(self.base))
        lines = poses + 3 * (len(self.cards) - 1)
        printed = lines + 2 * len(self.sides)
        return lens, poses, lines, printed, printed + 2

    def lens_start(self, photo: int) -> int:
        """First index of the lens of a photo."""
        return self.starts[0] + (0 if self.shared_lens else LENS_TERMS * photo)

    def pose_start(self, card: str) -> int:
        """First index of the pose of a card, which is not the first one."""
        return self.starts[1] + 3 * (self.cards.index(card) - 1)

    def line_start(self, side: str) -> int:
        """First index of the line of a side."""
        return self.starts[2] + 2 * self.sides.index(side)


@dataclass(frozen=True)
class PlaneFit:
    """A solved plane.

    views : per photo, 3x3 from plane mm to undistorted photo px. lenses : per photo.
    poses : card -> (x mm, y mm, turn rad). stretch : (2,) true mm per nominal mm along the print's x and y.
    params, covariance : (P,), (P, P) of the unknowns, laid out by `frame`.
    rms_px : residual of the card corners kept, per axis. dropped : observations left out as wrong.
    """

    views: tuple[Array, ...]
    lenses: tuple[Lens, ...]
    poses: Mapping[str, Array]
    stretch: Array
    params: Array
    covariance: Array
    frame: Frame
    rms_px: float
    dropped: int


def plane_from_photo(fit: PlaneFit, photo: int, xy: Array) -> Array:
    """(N, 2) photo px -> (N, 2) plane mm."""
    return through(inverted(fit.views[photo]), undistorted(fit.lenses[photo], xy))


def photo_from_plane(fit: PlaneFit, photo: int, xy: Array) -> Array:
    """(N, 2) plane mm -> (N, 2) photo px as seen through the lens."""
    return distorted(fit.lenses[photo], through(fit.views[photo], xy))


def card_on_plane(fit: PlaneFit, card: str, card_xy: Array) -> Array:
    """(N, 2) nominal mm on a card -> (N, 2) plane mm where the printed card has them."""
    return placed(fit.poses[card], card_xy * fit.stretch)


def card_from_plane(fit: PlaneFit, card: str, plane_xy: Array) -> Array:
    """(N, 2) plane mm -> (N, 2) nominal mm on a card."""
    x, y, turn = fit.poses[card]
    upright = placed(np.array([0.0, 0.0, -turn]), plane_xy - [x, y])
    return np.asarray(upright / fit.stretch, dtype=np.float64)


def shape_covariance(fit: PlaneFit, photos: Sequence[int], photo_xy: Array) -> Array:
    """(2N, 2N) mm^2 covariance of where photo points lie in the plane, rigid moves of the whole taken out.

    photos : for each point, the photo it lies in.
    Position and turn of the picture as a whole mean nothing for its shape, so they are projected away.
    """
    steps = np.sqrt(np.maximum(np.diag(fit.covariance), 1e-30)) / 2
    columns = [_slope(fit, photos, photo_xy, index, float(step)) for index, step in enumerate(steps)]
    keep = _rigid_projector(_on_plane(fit.views, fit.lenses, photos, photo_xy))
    shape = keep @ np.stack(columns, 1)
    return np.asarray(shape @ fit.covariance @ shape.T, dtype=np.float64)


def taper_sigmas(fit: PlaneFit, corners: Array, cut_mm: float) -> float:
    """Root mean square, in sigmas, of how much opposite sides of a work seem to differ in length in the first photo.

    corners : (4, 2) plane mm, in turn. cut_mm : sigma of one side's length, as works are cut.
    """
    covariance = shape_covariance(fit, [0] * len(corners), photo_from_plane(fit, 0, corners))
    sides, lengths = np.roll(corners, -1, axis=0) - corners, side_lengths(corners)
    slopes = np.zeros((4, 4, 2))
    each = np.arange(4)
    slopes[each, (each + 1) % 4], slopes[each, each] = sides / lengths[:, None], -sides / lengths[:, None]
    apart = (slopes[:2] - slopes[2:]).reshape(2, 8)
    variances = np.einsum("ij,jk,ik->i", apart, covariance, apart) + 2 * cut_mm**2
    return float(np.sqrt(np.mean((lengths[:2] - lengths[2:]) ** 2 / variances)))


def without_print(fit: PlaneFit) -> Array:
    """(P, P) covariance as if the size of the print were known."""
    known = fit.covariance.copy()
    printed = slice(fit.frame.starts[3], fit.frame.starts[4])
    block = known[printed, printed]
    cross = known[:, printed]
    return np.asarray(known - cross @ np.linalg.pinv(block) @ cross.T, dtype=np.float64)


def on_frame(fit: PlaneFit, frame_from_plane: Array) -> PlaneFit:
    """The same photos on another frame of the plane, `frame_from_plane` (3, 3): where a new solution can begin."""
    params = fit.params.copy()
    for photo, (view, base) in enumerate(zip(fit.views, fit.frame.base, strict=True)):
        unit = inverted(to_px(base)) @ view @ inverted(frame_from_plane) @ np.diag([UNIT_MM, UNIT_MM, 1])
        params[8 * photo : 8 * photo + 8] = (unit / unit[2, 2]).ravel()[:8]
    return replace(fit, views=views_of(fit.frame, params), params=params)


def radius95(covariance: Array) -> Array:
    """(N,) mm: the circle that holds 95 % of each point's error, normal with these 2x2 blocks (2N, 2N).

    In polar coordinates of the whitened plane the share within a circle is a mean over directions, exactly.
    """
    blocks = np.array([covariance[i : i + 2, i : i + 2] for i in range(0, len(covariance), 2)])
    variances = np.maximum(np.linalg.eigvalsh(blocks), 1e-30)
    turn = (np.arange(DIRECTIONS) + 0.5) * np.pi / DIRECTIONS
    along = variances[:, :1] * np.sin(turn) ** 2 + variances[:, 1:] * np.cos(turn) ** 2
    low, high = (sigmas * np.sqrt(variances[:, 1]) for sigmas in (SIGMAS_95, SIGMAS_95_IN_PLANE))
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        beyond = np.exp(-((middle[:, None]) ** 2) / (2 * along)).mean(axis=1)
        low, high = np.where(beyond > LEFT_OUT, middle, low), np.where(beyond > LEFT_OUT, high, middle)
    return np.asarray(high, dtype=np.float64)


def together95(covariance: Array) -> Array:
    """(N,) mm: circles that hold the errors of all points at once in 95 of 100 cases, as large against each other as
    those of `radius95`. Errors that go together, as by a wrong size, need no wider ones than one point does.
    """
    alone = np.maximum(radius95(covariance), 1e-12)
    variances, ways = np.linalg.eigh(covariance)
    drawn = np.random.default_rng(0).standard_normal((DRAWS, len(variances))) * np.sqrt(np.maximum(variances, 0))
    away = np.linalg.norm((drawn @ ways.T).reshape(DRAWS, -1, 2), axis=2) / alone
    return np.asarray(alone * max(1.0, float(np.quantile(away.max(axis=1), 1 - LEFT_OUT))), dtype=np.float64)


def through(matrix: Array, xy: Array) -> Array:
    """(N, 2) points through a 3x3 matrix."""
    w = xy @ matrix[2, :2] + matrix[2, 2]
    moved: Array = (xy @ matrix[:2, :2].T + matrix[:2, 2]) / w[:, None]
    return moved


def inverted(matrix: Array) -> Array:
    """Inverse of a 3x3 matrix."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def placed(pose: Array, xy: Array) -> Array:
    """(N, 2) points turned and moved by a pose (x mm, y mm, turn rad)."""
    c, s = np.cos(pose[2]), np.sin(pose[2])
    moved: Array = xy @ np.array([[c, s], [-s, c]]) + pose[:2]
    return moved


def px_per_mm(view: Array, plane_xy: Array) -> float:
    """Mean magnification of a view at one plane point (2,), px/mm: the root of its area factor."""
    w = float(view[2, :2] @ plane_xy + view[2, 2])
    return float(np.sqrt(abs(np.linalg.det(view) / w**3)))


def views_of(frame: Frame, params: Array) -> tuple[Array, ...]:
    """3x3 per photo, plane mm -> undistorted px."""
    return tuple(view_of(frame, params, photo) for photo in range(len(frame.base)))


def view_of(frame: Frame, params: Array, photo: int) -> Array:
    """The view of one photo."""
    return _view(params[8 * photo : 8 * photo + 8], frame.base[photo])


def lenses_of(frame: Frame, params: Array) -> tuple[Lens, ...]:
    """One lens per photo."""
    return tuple(lens_of(frame, params, photo) for photo in range(len(frame.base)))


def lens_of(frame: Frame, params: Array, photo: int) -> Lens:
    """The lens of one photo."""
    at, base = frame.lens_start(photo), frame.base[photo]
    k1, k2, dx, dy, p1, p2 = (float(value) for value in params[at : at + LENS_TERMS])
    center = (base.center_x + dx * base.radius, base.center_y + dy * base.radius)
    return replace(base, center_x=center[0], center_y=center[1], k1=k1, k2=k2, p1=p1, p2=p2)


def poses_of(frame: Frame, params: Array) -> dict[str, Array]:
    """card -> (x mm, y mm, turn rad)."""
    return {card: pose_of(frame, params, card) for card in frame.cards}


def pose_of(frame: Frame, params: Array, card: str) -> Array:
    """(x mm, y mm, turn rad) of one card; the first one's are zero."""
    if card == frame.cards[0]:
        return np.zeros(3)
    at = frame.pose_start(card)
    return np.asarray(params[at : at + 3] * np.array([UNIT_MM, UNIT_MM, 1.0]), dtype=np.float64)


def line_of(frame: Frame, params: Array, side: str) -> Array:
    """(a, b, c) with a x + b y = c in plane mm, (a, b) of length 1."""
    at = frame.line_start(side)
    angle, offset = params[at : at + 2]
    return np.array([np.cos(angle), np.sin(angle), offset * UNIT_MM])


def stretch_of(frame: Frame, params: Array) -> Array:
    """(2,) true mm per nominal mm of the print's x and y."""
    scale, between = params[frame.starts[3] :]
    return np.array([1 + scale + between, 1 + scale - between])


def _view(params: Array, lens: Lens) -> Array:
    """Eight numbers (half diagonals about the photo's middle, per UNIT_MM) -> 3x3 from plane mm to px."""
    unit = np.append(params, 1.0).reshape(3, 3)
    view: Array = to_px(lens) @ unit @ np.diag([1 / UNIT_MM, 1 / UNIT_MM, 1])
    return view


def to_px(lens: Lens) -> Array:
    """3x3 from half diagonals about the photo's middle to px."""
    return np.array([[lens.radius, 0, lens.center_x], [0, lens.radius, lens.center_y], [0, 0, 1]])


def _on_plane(views: Sequence[Array], lenses: Sequence[Lens], photos: Sequence[int], xy: Array) -> Array:
    """(N, 2) plane mm of points (N, 2) px of several photos."""
    ways = [through(inverted(views[i]), undistorted(lenses[i], at[None]))[0] for i, at in zip(photos, xy, strict=True)]
    return np.array(ways)


def _slope(fit: PlaneFit, photos: Sequence[int], photo_xy: Array, index: int, step: float) -> Array:
    """Derivative of stacked plane positions (2N,) by one unknown, central difference."""
    ends = []
    for signed in (step, -step):
        params = fit.params.copy()
        params[index] += signed
        views, lenses = views_of(fit.frame, params), lenses_of(fit.frame, params)
        ends.append(_on_plane(views, lenses, photos, photo_xy).ravel())
    slope: Array = (ends[0] - ends[1]) / (2 * step)
    return slope


def _rigid_projector(xy: Array) -> Array:
    """(2N, 2N): takes shifts and the small turn about the middle out of stacked displacements."""
    centered = xy - xy.mean(0)
    moves = np.zeros((2 * len(xy), 3))
    moves[0::2, 0] = moves[1::2, 1] = 1
    moves[0::2, 2], moves[1::2, 2] = -centered[:, 1], centered[:, 0]
    basis = np.linalg.qr(moves)[0]
    projector: Array = np.eye(2 * len(xy)) - basis @ basis.T
    return projector
