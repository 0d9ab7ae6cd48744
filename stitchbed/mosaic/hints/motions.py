"""I turn what a person said of two pieces, or of one piece and the sheet, into a motion the pictures agree with best.

In: points or a rough place, leveled pictures. Out: links; how far the pictures agree is told with each, and never made
up: a link of points is `said`, any other is only as probable as what both pieces show makes it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transforms import between, fit_similarity, inverse, moved, scale_of, similarity_matrix, turn_of
from stitchbed.matching.overlap_evidence import (
    Detail,
    Evidence,
    EvidenceSettings,
    aligned,
    compare,
    probability,
    scaled_to,
)
from stitchbed.matching.similarity_links import Link
from stitchbed.matching.sliding import SlidingSettings, slid_near
from stitchbed.mosaic.hints.kinds import Beside, Near, SamePoint
from stitchbed.mosaic.linking.link_graph import corners

BELIEVED = 0.5  # probability a motion needs that lies where a person said it would
KNOWN_PLACE = 1.5  # log odds that being where a person said adds: about one wrong place in five would agree as well
SURE = 0.9  # probability over which the pictures contradict whoever says otherwise
TILT_DEGREES = 2.5  # how far off upright a sheet lies that was laid by hand, against what was said of its turn
SWING_DEGREES, SWING_STEP = 3.0, 0.25  # turns tried about one point
SIDES: dict[str, tuple[float, float]] = {"right": (1, 0), "left": (-1, 0), "below": (0, 1), "above": (0, -1)}
QUARTERS = (0.0, 90.0, 180.0, 270.0)
HAND_DEGREES = 1.0  # how far off upright a sheet lies that was laid by hand with care
THIN_RIM_MM, THIN_CELL_MM, STRIP_LOOSE_MM = 0.6, 4.0, 2.0
BARE = 1.0  # cells' worth of drawing under which an overlap shows nothing for or against


@dataclass(frozen=True)
class Sheet:
    """Pieces laid out: places (sheet_from_tile 3x3) and sizes (h, w) px by name, details, dpi; px_per_mm of the sheet,
    upright : canvas_from_sheet, a turn and a shift after which the sheet stands upright at its top left corner."""

    places: Mapping[str, Array]
    sizes: Mapping[str, tuple[int, int]]
    details: Mapping[str, Detail]
    dpi: Mapping[str, float]
    px_per_mm: float
    upright: Array


@dataclass(frozen=True)
class Found:
    """A link and what speaks for it. bare : nothing is drawn where the two overlap, the place is as said."""

    link: Link
    seen: Evidence
    bare: bool = False


def by_points(
    said: Sequence[SamePoint],
    details: tuple[Detail, Detail],
    scale: float,
    px_per_mm: float,
    *,
    turns: Sequence[float],
    evidence: EvidenceSettings,
) -> Found:
    """The motion of points said to be the same, all of one pair (a, b).

    scale : dpi_b / dpi_a. px_per_mm : of b. turns : of b against a worth trying where there is one point only, degrees.
    """
    xy_a, xy_b = np.array([one.a_at for one in said]), np.array([one.b_at for one in said])
    within = max(one.within_mm for one in said) * px_per_mm
    motion = _through(xy_a, xy_b, scale, within) if len(said) > 1 else None
    tried = [motion] if motion is not None else list(_pivoted(xy_a[0], xy_b[0], scale, turns))
    judged = [(compare(one, details, evidence), one) for one in tried]
    if max(seen.amount for seen, _ in judged) < BARE:
        evidence = thin(evidence)
        judged = [(compare(one, details, evidence), one) for one in tried]
    seen, motion = max(judged, key=lambda one: probability(one[0], evidence))
    if seen.amount < BARE:  # noise tells no turn: the first one tried is what is known, or upright
        seen, motion = judged[0]
    drawn, better = aligned(motion, details, evidence)
    off = np.hypot(*(moved(drawn, xy_a) - xy_b).T).max()
    if better.score > seen.score and off < 2 * within + details[0].strokes.step:
        motion, seen = drawn, better
    link = _link((said[0].a, said[0].b), motion, (xy_a, xy_b), within / 2, seen)
    bare = seen.amount < BARE
    loose = max(one.within_mm for one in said) + (0.0 if len(said) > 1 else _swing_mm(details)) if bare else 0.0
    return Found(replace(link, said=True, probability=1.0, loose_mm=loose), seen, bare)


def _swing_mm(details: tuple[Detail, Detail]) -> float:
    """How far the far end of the second piece may be off by a turn that nothing tells, but that hands keep small."""
    layer = details[1].strokes
    return float(np.hypot(*layer.pixels.shape)) * layer.pixel_mm * np.sin(np.deg2rad(HAND_DEGREES))


def by_place(
    piece: str,
    there: Array,
    sheet: Sheet,
    within_mm: float,
    *,
    evidence: EvidenceSettings,
    tilt_degrees: float = TILT_DEGREES,
) -> list[Found]:
    """Links of a piece with those it would overlap at a place (sheet_from_tile 3x3), the most probable first."""
    found = list(_tried(piece, there, sheet, within_mm, (evidence, tilt_degrees)))
    if not found:  # a narrow strip, of which nothing is left without its rims: it must agree the better
        strips = _tried(piece, there, sheet, within_mm, (thin(evidence), tilt_degrees))
        found = [_loose(one) for one in strips if one.link.probability > SURE]
    return sorted(found, key=lambda one: -one.link.probability)


def _loose(one: Found) -> Found:
    """A place that a narrow strip shows, which hardly tells the turn."""
    return replace(one, link=replace(one.link, loose_mm=STRIP_LOOSE_MM))


def thin(evidence: EvidenceSettings) -> EvidenceSettings:
    """Settings under which strips are looked at that are hardly wider than the rims left out as a rule."""
    return replace(evidence, rim_mm=THIN_RIM_MM, cell_mm=THIN_CELL_MM)


def _tried(
    piece: str, there: Array, sheet: Sheet, within_mm: float, how: tuple[EvidenceSettings, float]
) -> Iterator[Found]:
    """The best motion against each neighbor that shows drawing in common. how : settings, tilt in degrees."""
    evidence, tilt_degrees = how
    for other in _neighbors(piece, there, sheet, within_mm):
        details = (sheet.details[other], sheet.details[piece])
        guess = between(sheet.places[other], there)
        reach = within_mm * sheet.dpi[other] / MM_PER_INCH
        best: tuple[float, Array, Evidence] | None = None
        for motion in slid_near(details, guess, within_mm, SlidingSettings(), tilt_degrees=tilt_degrees):
            motion, seen = aligned(motion, details, evidence)
            chance = probability(seen, evidence)
            middle = corners(sheet.sizes[piece]).mean(0)[None]
            off = _back(motion, middle)[0] - _back(guess, middle)[0]
            if seen.amount >= BARE and np.hypot(*off) < 1.2 * reach and (best is None or chance > best[0]):
                best = chance, motion, seen
        if best is not None:
            yield _placed((other, piece), best[1], best[2], evidence)


def bare_place(piece: str, there: Array, sheet: Sheet, within_mm: float, evidence: EvidenceSettings) -> Found | None:
    """The place as said, where nothing is drawn in all that the piece would share; None where something is."""
    others = list(_neighbors(piece, there, sheet, 0.0))
    shared = []
    for other in others:
        motion = between(sheet.places[other], there)
        shared.append((other, motion, compare(motion, (sheet.details[other], sheet.details[piece]), evidence)))
    if not shared or sum(seen.strong for _, _, seen in shared) > BARE:
        return None
    other, motion, seen = max(shared, key=lambda one: len(one[2].middle))
    at = corners(sheet.sizes[piece])
    back = _back(motion, at)
    sigma = within_mm * sheet.dpi[piece] / MM_PER_INCH / 2
    link = _link((other, piece), motion, (back, at), sigma, seen)
    return Found(replace(link, weak=True, probability=SURE, loose_mm=within_mm), seen, True)


def _neighbors(piece: str, there: Array, sheet: Sheet, within_mm: float) -> Iterator[str]:
    """Pieces whose outline comes within reach of the piece's at that place, the nearest first."""
    mine = moved(there, corners(sheet.sizes[piece]))
    room = within_mm * sheet.px_per_mm
    near = []
    for other, place in sheet.places.items():
        theirs = moved(place, corners(sheet.sizes[other]))
        if other != piece and (mine.max(0) + room > theirs.min(0)).all() and (theirs.max(0) + room > mine.min(0)).all():
            near.append((float(np.hypot(*(mine.mean(0) - theirs.mean(0)))), other))
    yield from (other for _, other in sorted(near))


def _through(xy_a: Array, xy_b: Array, scale: float, within: float) -> Array:
    """The similarity of several points; at the scale of the dpi unless the points clearly say otherwise."""
    fitted = similarity_matrix(fit_similarity(xy_a, xy_b, np.ones(len(xy_a))))
    span = float(np.hypot(*(xy_b.max(0) - xy_b.min(0))))
    held = scaled_to(fitted, scale, xy_a.mean(0))
    return held if abs(scale_of(fitted) / scale - 1) * span < 3 * within else fitted


def _pivoted(at_a: Array, at_b: Array, scale: float, turns: Sequence[float]) -> Iterator[Array]:
    """Motions that put one point on the other, by every turn near those worth trying; those first."""
    count = round(SWING_DEGREES / SWING_STEP)
    steps = sorted(np.arange(-count, count + 1) * SWING_STEP, key=abs)
    for step in steps:
        for turn in turns:
            angle = np.deg2rad(turn + step)
            motion = similarity_matrix(np.array([scale * np.cos(angle), scale * np.sin(angle), 0.0, 0.0]))
            motion[:2, 2] = at_b - motion[:2, :2] @ at_a
            yield motion


def _placed(names: tuple[str, str], motion: Array, seen: Evidence, evidence: EvidenceSettings) -> Found:
    """A link at a place that was about known beforehand."""
    chance = probability(seen, evidence)
    odds = np.log(max(chance, 1e-9) / max(1 - chance, 1e-9)) + KNOWN_PLACE
    good = seen.likeness > 0.5
    xy_a = seen.middle[good] if good.sum() > 1 else seen.middle
    link = _link(names, motion, (xy_a, moved(motion, xy_a)), 1.0, seen)
    return Found(replace(link, probability=float(1 / (1 + np.exp(-odds)))), seen)


def _link(names: tuple[str, str], motion: Array, points: tuple[Array, Array], sigma: float, seen: Evidence) -> Link:
    return Link(*names, motion, *points, sigma, max(seen.score, 0.01), 0.0)


def _back(b_from_a: Array, xy: Array) -> Array:
    """Points (N, 2) px of b in a."""
    return moved(inverse(b_from_a), xy)


def turned_by(degrees: float, scale: float) -> Array:
    """3x3 that turns clockwise (x toward y) and magnifies about the origin."""
    angle = np.deg2rad(degrees)
    return similarity_matrix(np.array([scale * np.cos(angle), scale * np.sin(angle), 0.0, 0.0]))


def place_at(middle: Array, degrees: float, sheet: Sheet, piece: str) -> Array:
    """sheet_from_tile of a piece whose middle lies at (2,) mm of the upright sheet, turned so."""
    ratio = sheet.px_per_mm * MM_PER_INCH / sheet.dpi[piece]
    there = turned_by(degrees, ratio)
    there[:2, 2] = middle * sheet.px_per_mm - there[:2, :2] @ corners(sheet.sizes[piece]).mean(0)
    return between(there, sheet.upright)


def middle_of(piece: str, sheet: Sheet) -> Array:
    """(2,) mm of the upright sheet."""
    at = moved(sheet.upright @ sheet.places[piece], corners(sheet.sizes[piece]).mean(0)[None])[0]
    return np.asarray(at / sheet.px_per_mm, np.float64)


def spot_of(piece: str, at_mm: Array, sheet: Sheet) -> Array:
    """(2,) mm of the upright sheet of a spot (2,) mm from the top left corner of a piece."""
    px = at_mm * sheet.dpi[piece] / MM_PER_INCH - 0.5
    return np.asarray(moved(sheet.upright @ sheet.places[piece], px[None])[0] / sheet.px_per_mm, np.float64)


def turn_on(piece: str, sheet: Sheet) -> float:
    """Degrees clockwise by which the piece is turned on the upright sheet."""
    return float(np.degrees(turn_of(sheet.upright @ sheet.places[piece])))


def turn_between(one: float, two: float) -> float:
    """How far two turns differ, degrees 0..180."""
    return abs((one - two + 180) % 360 - 180)


def aim_of(hint: Near | Beside, sheet: Sheet) -> Array:
    """Where the middle of the piece should lie, (2,) mm of the upright sheet."""
    if isinstance(hint, Near):
        at = np.array(hint.at, np.float64)
        return at if hint.of is None else spot_of(hint.of, at, sheet)
    return middle_of(hint.of, sheet) + hint.by_mm * np.array(SIDES[hint.side])


def turn_said(hint: Near | Beside, sheet: Sheet) -> float | None:
    """Degrees by which the piece should be turned on the upright sheet, None for any."""
    against = hint.of if isinstance(hint, Near) else None
    return hint.turn if hint.turn is None or against is None else hint.turn + turn_on(against, sheet)
