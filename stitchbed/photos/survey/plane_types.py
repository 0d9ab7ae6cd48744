"""I hold what the user said about a plane, and what was found of it.

In: lengths read off a ruler, sizes, corners. Out: `Asked`, the finished `PlaneSurvey`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Annotated

import numpy as np

from stitchbed.card.corners import corner_points, printed_lines
from stitchbed.card.detection import SeenCard
from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import length_mm, size_mm
from stitchbed.core.settings import Setting
from stitchbed.photos.geometry.output_frame import Facing, facing_around, facing_of_corners, inside_photo
from stitchbed.photos.geometry.plane_pose import (
    PlaneFit,
    photo_from_plane,
    plane_from_photo,
    px_per_mm,
    shape_covariance,
    together95,
)
from stitchbed.photos.sides.edge_points import SIDE_FREEDOM, Side
from stitchbed.photos.sides.lines import SIDES
from stitchbed.photos.solving.heights import moved_by_height
from stitchbed.photos.survey.card_paper import Papers, card_outline
from stitchbed.photos.survey.photo import Photo

SIDES_TAKEN = ("auto", "outer", "inner")
EVENLY = 12**-0.5  # standard deviation of what lies anywhere between two ends alike, per mm between them
# Sigma of how much higher than a card's face a flat work's lies: papers and boards are .1 to 1 mm thick, a card's paper
# .1; common practice, no source.
THICK_MM = 0.3
ROUGH = 0.001  # of a side's length: sigma of one that only the small view shows, whose pixels are about that large
CURVE_TERMS = 3  # of a side that bends once, as where it is lost in a shadow towards one end
ENDS = "look whether the result ends where the work does, and give its --corners if not: {}"


@dataclass(frozen=True)
class Asked:
    """What the user said.

    size_mm : (width, height) of the work. corners : (4, 2) px of the first photo, top left first, clockwise.
    printed_mm : check lines as measured, across and down. margin_mm : shown round the work.
    scan : no perspective. keep_cards : the result also holds the cards. sides : of SIDES_TAKEN; auto is the outer
    rectangle, or the one that the size fits. raised_mm : of the work's face above the cards.
    """

    size_mm: Annotated[
        tuple[float, float] | None,
        Setting(
            "Size of the work, width first: 600x420mm. Serves without a card.",
            option="size",
            unit="size",
            low=1,
            read=partial(size_mm, option="--size"),
        ),
    ] = None
    corners: Annotated[
        Array | None,
        Setting("Its corners in the photo, px, top left first.", unit="X,Y X,Y X,Y X,Y", words=4, read=corner_points),
    ] = None
    printed_mm: Annotated[
        tuple[float, float | None] | None,
        Setting(
            "The card's check lines as measured, across x down: 159.6x159.8.",
            option="printed-mm",
            unit="mm",
            low=1,
            high=1e4,
            read=printed_lines,
        ),
    ] = None
    margin_mm: Annotated[
        float,
        Setting(
            "Shown round the work.",
            option="margin",
            unit="mm",
            low=0,
            high=1e4,
            read=partial(length_mm, option="--margin", whole_mm=0.0),
        ),
    ] = 0.0
    scan: Annotated[bool, Setting("The picture is a scan: no perspective, no lens.")] = False
    keep_cards: Annotated[bool, Setting("The result also holds the cards, for `color`.")] = False
    sides: Annotated[
        str, Setting("Which of two rectangles is the work, as of a picture in its margin.", choices=SIDES_TAKEN)
    ] = "auto"
    raised_mm: Annotated[
        float,
        Setting(
            "How much higher than the cards the work's face lies, as of a canvas on its frame.",
            option="raised",
            unit="mm",
            low=0,
            high=100,
            read=partial(length_mm, option="--raised", whole_mm=0.0),
        ),
    ] = 0.0


@dataclass(frozen=True)
class Overlap:
    """Two photos tied to each other: points kept, and how far they disagree after solving, px of photo b, per axis."""

    a: int
    b: int
    points: int
    rms_px: float


@dataclass(frozen=True)
class PlaneSurvey:
    """What was found.

    seen : cards of each photo. fit : the plane. facing : frame of the result. work : of the work alone, turned alike.
    corners : (4, 2) plane mm of the work.
    uncertainty : (4,) mm, within which all four corners lie in 95 of 100 works; how rough the sides are is included.
    sides : those measured, by photo and name. own_edges : the work's own sides were found. scale_95 : relative, 95 %.
    overlaps : what photos share, where they were tied to each other.
    papers : of the cards. other_mm : width and height of the other rectangle there is, within the work or round it.
    ends_doubtful : the work may end elsewhere than at these sides, which the warnings tell.
    """

    seen: tuple[tuple[SeenCard, ...], ...]
    fit: PlaneFit
    facing: Facing
    work: Facing
    corners: Array
    uncertainty: Array
    sides: Mapping[int, Mapping[str, Side]]
    own_edges: bool
    scale_95: float
    warnings: tuple[str, ...]
    overlaps: tuple[Overlap, ...] = ()
    papers: Papers = field(default_factory=Papers)
    other_mm: tuple[float, float] | None = None
    ends_doubtful: bool = False


@dataclass(frozen=True)
class Found:
    """What the first looks left for the end: cards of each photo, measured sides, corners (4, 2) plane mm, overlaps,
    papers of the cards, size of another rectangle; why the work may end elsewhere.
    """

    seen: tuple[tuple[SeenCard, ...], ...]
    sides: Mapping[int, Mapping[str, Side]]
    corners: Array
    own_edges: bool
    overlaps: tuple[Overlap, ...] = ()
    papers: Papers = field(default_factory=Papers)
    other_mm: tuple[float, float] | None = None
    ends: tuple[str, ...] = ()


def check_corners(photo: Photo, asked: Asked) -> None:
    """Refuse corners that the user gave outside of the photo.

    Raises
    ------
    BadSettings : one of them lies there.
    """
    if asked.corners is not None and not inside_photo(asked.corners, photo.size).all():
        raise BadSettings(
            f"--corners outside of {photo.tile.name}, which is {photo.size[1]} x {photo.size[0]} px",
            expected="corners of the work as pixels x,y of that photo",
            attempt="read them off the photo at full size",
        )


def plane_survey_of(
    photos: Sequence[Photo], fit: PlaneFit, found: Found, asked: Asked, warnings: Sequence[str]
) -> PlaneSurvey:
    """Put the result together: frame and uncertainty at the work's corners."""
    where, at = best_seen(photos, fit, found.corners)
    covariance = shape_covariance(fit, where, at)
    stretch = fit.frame.starts[3]
    scale_95 = 1.96 * float(np.sqrt(max(fit.covariance[stretch, stretch], 0.0)))
    work = facing_of_corners(found.corners, 0.0)
    outlines = [card_outline(fit, card) for card in fit.poses] if asked.keep_cards else []
    facing = facing_around(np.concatenate([found.corners, *outlines]), work.turn, asked.margin_mm)
    covariance = covariance + _edge_covariance(fit, found)
    if asked.size_mm is None and not asked.scan:  # a size is that of the face, at whatever height it lies
        covariance = covariance + _thickness_covariance(fit, where, found.corners)
    sure = together95(covariance)
    # one note of all that makes the work's sides doubtful, since one look settles it
    notes = (*([ENDS.format("; ".join(found.ends))] if found.ends else []), *warnings)
    rest = (found.sides, found.own_edges, scale_95, notes, found.overlaps, found.papers, found.other_mm)
    return PlaneSurvey(found.seen, fit, facing, work, found.corners, sure, *rest, bool(found.ends))


def _thickness_covariance(fit: PlaneFit, photos: Sequence[int], corners: Array) -> Array:
    """(8, 8) mm^2 for corners (4, 2) plane mm: a face that lies higher than the cards, by the thickness of paper,
    seems larger. photos : of each corner, the one it is measured in.
    """
    moved = [
        moved_by_height(fit.views[photo], fit.lenses[photo], corner[None])[0]
        for photo, corner in zip(photos, corners, strict=True)
    ]
    shape = THICK_MM * (np.array(moved) - np.mean(moved, axis=0)).ravel()
    return np.outer(shape, shape)


def _edge_covariance(fit: PlaneFit, found: Found) -> Array:
    """(8, 8) mm^2 for the corners: how far their sides are from telling where they are, each across its own line.

    Measured places of a side lie off their line (rms), and a line through them parts from a curve through them towards
    the corner. Torn edges, shadows and blur have no one line; cut paper leaves .05 mm. Where a dark line runs along it,
    the work may end anywhere between its two flanks; and a whole side may lie elsewhere in its blur (`EdgeShape`), out
    or in together with the others, which the same lens and light show.
    """
    corners, unsure, together = found.corners, np.zeros((8, 8)), np.zeros((4, 2))
    sharpest = _sharpest(found.sides)
    for index, name in enumerate(SIDES):
        seen = [(number, sides[name]) for number, sides in found.sides.items() if name in sides]
        ends = [index, (index + 1) % 4]
        a, b = corners[ends]
        outward = np.array([(b - a)[1], -(b - a)[0]]) / np.linalg.norm(b - a)
        off, between, blur = np.full(2, ROUGH * np.linalg.norm(b - a) if found.own_edges else 0.0), 0.0, 0.0
        if seen:
            plane = np.concatenate([plane_from_photo(fit, number, side.photo_xy) for number, side in seen])
            off = off_line((plane - a) @ (b - a) / ((b - a) @ (b - a)), (plane - a) @ outward)
            between = EVENLY * max(_between_flanks(fit, number, side) for number, side in seen)
            blur = max(_in_blur(fit, number, side, sharpest[number]) for number, side in seen)
        together[ends] += blur * outward
        for moved in ([off[0], 0], [0, off[1]], [between, between]):
            way = np.zeros((4, 2))
            way[ends] = np.outer(moved, outward)
            unsure += np.outer(way, way)
    return unsure + np.outer(together, together)


def _sharpest(sides: Mapping[int, Mapping[str, Side]]) -> dict[int, float]:
    """Width, px, of the sharpest side in each photo, whose blur the others have too; of all where it shows but one."""
    widths = {
        photo: [side.shape.width for side in each.values() if side.shape is not None] for photo, each in sides.items()
    }
    of_all = min((width for each in widths.values() for width in each), default=0.0)
    return {photo: min(each) if len(each) > 1 else of_all for photo, each in widths.items()}


def sides_sigma(fit: PlaneFit, sides: Mapping[int, Mapping[str, Side]]) -> float:
    """Sigma, mm, of where a whole side lies in its blur or shadow, in the mean of those measured; 0 without any."""
    sharpest = _sharpest(sides)
    each = [_in_blur(fit, number, side, sharpest[number]) for number, some in sides.items() for side in some.values()]
    return float(np.mean(each)) if each else 0.0


def _in_blur(fit: PlaneFit, photo: int, side: Side, sharpest: float) -> float:
    """Sigma, mm, of where a whole side lies within its blur. sharpest : width of the sharpest side, px."""
    if side.shape is None:
        return 0.0
    middle = plane_from_photo(fit, photo, side.photo_xy).mean(0)
    return float(np.hypot(side.shape.sigma(sharpest), side.shaded_px)) / px_per_mm(fit.views[photo], middle)


def _between_flanks(fit: PlaneFit, photo: int, side: Side) -> float:
    """mm between the two lines of which either may be the work's side; 0 where there is one."""
    if side.other_xy is None:
        return 0.0
    lines = [plane_from_photo(fit, photo, xy) for xy in (side.photo_xy, side.other_xy)]
    a, b = lines[0][[0, -1]]
    return abs(float(np.median(_beside(lines[1], a, b)) - np.median(_beside(lines[0], a, b))))


def _beside(plane: Array, a: Array, b: Array) -> Array:
    """(N,) mm by which places lie beside the line from a to b."""
    return np.asarray((plane - a) @ np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a), dtype=np.float64)


def off_line(along: Array, beside: Array) -> Array:
    """(2,) how unsure a line through places is at its two ends: their rms, or what a curve says there if that is more.

    along : (N,) of the places, 0 and 1 at the ends. beside : (N,) by which they lie beside the line. Beyond the places
    nothing is known of a curve, but less and less of the line's lean. Reference: any text on straight lines fitted by
    least squares, the error of what they predict.
    """
    rms = float(np.sqrt(np.mean(beside**2)))
    if len(along) <= CURVE_TERMS:
        return np.array([rms, rms])
    curve, line = (np.polynomial.Polynomial.fit(along, beside, order) for order in (CURVE_TERMS - 1, 1))
    ends = np.array([0.0, 1.0])
    seen = np.clip(ends, along.min(), along.max())
    places = max(CURVE_TERMS, SIDE_FREEDOM * float(np.ptp(along)))
    lean = rms * np.sqrt((1 + (ends - along.mean()) ** 2 / along.var()) / places)
    return np.asarray(np.max([np.full(2, rms), np.abs(curve(seen) - line(seen)), lean], axis=0), dtype=np.float64)


def best_seen(photos: Sequence[Photo], fit: PlaneFit, corners: Array) -> tuple[list[int], Array]:
    """For each plane point (N, 2) mm the photo that sees it farthest from its own edge, and where, (N, 2) px."""
    places = np.stack([photo_from_plane(fit, number, corners) for number in range(len(photos))])
    ends = np.array([[photo.size[1] - 1, photo.size[0] - 1] for photo in photos])[:, None]
    room = np.minimum(places, ends - places).min(axis=2)
    where = room.argmax(axis=0)
    return [int(i) for i in where], places[where, np.arange(len(corners))]
