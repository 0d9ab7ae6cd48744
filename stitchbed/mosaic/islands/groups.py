"""I join two groups of pieces by all that they would share, where no two of their pieces alone are sure.

In: groups as they are laid out, and the pieces' leveled pictures. Out: links between the pieces of two groups.

A group laid on another makes several overlaps at once. Under a true motion all of them show one drawing, and no other
motion does as well; by chance one of them may fit, hardly two or three.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transforms import fit_similarity, inverse, moved, scale_of, similarity_matrix
from stitchbed.matching.overlap_evidence import (
    TRUE_CELL,
    Detail,
    Evidence,
    EvidenceSettings,
    aligned,
    compare,
    log_odds,
    probability,
    scaled_to,
)
from stitchbed.matching.similarity_links import Link
from stitchbed.matching.sliding import SlidingSettings, slid, slid_near
from stitchbed.mosaic.islands.lattice import holes
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.survey.components import MOST_SLID, SLID_DRAWN, SLID_LEAST
from stitchbed.mosaic.survey.implied_overlaps import LEAST_DRAWN, LEAST_SHARE, QUARREL, shared
from stitchbed.mosaic.survey.judgment import ANYWHERE, QUARTERS, BeliefSettings, link_by_cells, outdone

# Places nearer than FAR_MM may be one place; looked at in steps of STEP_MM; what a likeness must rise by on the way,
# and may fall by in a step, by itself and as a share of all that it rises by.
FAR_MM, STEP_MM, RISE, SLACK, SLACK_SHARE = 12.0, 1.0, 0.004, 0.001, 0.1
AS_MUCH = 0.3  # share of a place's drawing that a rival must have: laid on wrongly, a group may cover most of another
DRAWN_ON = 8  # times at most
PLACES = 6  # proposed by each pair whose whole pictures are slid over one another
PAIRS, PAIR_DRAWN = 2, 0.5  # overlaps that must speak for a place, and cells of drawing of one that does
# Slides into holes, at most; turn of a piece in one; coarse pictures will do where it is known about where.
MOST_FILLED, HOLE_DEGREES = 64, 3.0
COARSE = SlidingSettings(pixel_mm=1.5, step_degrees=1.0, most=4)


@dataclass(frozen=True)
class Compared:
    """What groups are compared by: sizes (h, w) px, leveled pictures, dpi of each piece by name."""

    sizes: Mapping[str, tuple[int, int]]
    details: Mapping[str, Detail]
    dpi: Mapping[str, float]
    belief: BeliefSettings
    evidence: EvidenceSettings


@dataclass(frozen=True)
class _Least:
    """What all overlaps as one must have: likeness of the middle cell, mean likeness, cells of drawing, probability."""

    usual: float
    score: float
    strong: float
    chance: float


ANY_PLACE = _Least(0.93, 0.93, SLID_DRAWN, SLID_LEAST)  # frames and dots of two comic pages reached .90
FILLS = _Least(0.93, 0.75, 3.0, 0.95)  # a hole is one of a few places, not of ten thousand


@dataclass(frozen=True)
class _Together:
    """Two groups laid on each other. motion : 3x3, from the second one's sheet to the first one's. pairs : what each
    pair (name in the first, name in the second) shows that overlaps. seen : the same as one, in px of the first sheet.
    """

    motion: Array
    pairs: Mapping[tuple[str, str], Evidence]
    seen: Evidence


def all_joined(
    layouts: list[Layout],
    pieces: Compared,
    relaid: Callable[[Sequence[Link], Sequence[tuple[Link, str]]], list[Layout]],
    apart: Set[str] = frozenset(),
) -> list[Layout]:
    """The layouts with groups joined, one after the other, for which all that they would share speaks.

    relaid : layouts of links, with what was dropped before. apart : pieces that were said to lie apart.
    """
    while len(layouts) > 1:
        asked = [one for one in layouts if not apart & set(one.sheet_from_tile)]
        found = joined_groups(asked, pieces) or filled(asked, pieces)
        known = [item for layout in layouts for item in layout.links]
        dropped = [item for layout in layouts for item in layout.dropped]
        joined = relaid([*known, *found], dropped) if found else layouts
        if len(joined) >= len(layouts):
            break
        layouts = joined
    return layouts


def joined_groups(layouts: Sequence[Layout], pieces: Compared) -> list[Link]:
    """Links between two groups for which all that they would share is sure; the first found, none where there are none.

    layouts : the largest first.
    """
    slides = iter(range(MOST_SLID))
    for k, small in enumerate(layouts):
        for large in layouts[:k]:
            enough = len(large.sheet_from_tile) + len(small.sheet_from_tile) > PAIRS
            if enough and (links := _joined((large, small), pieces, slides)):
                return links
    return []


def filled(layouts: Sequence[Layout], pieces: Compared) -> list[Link]:
    """Links of a piece or group that fills a hole in the grid of the largest group, where all that it would share there
    is alike, and nowhere else as alike; none where there is none such.

    layouts : the largest first.
    """
    slides = iter(range(MOST_FILLED))
    for small in layouts[1:]:
        groups = layouts[0], small
        tried = _tried(_into_holes(groups, pieces, slides), groups, pieces)
        if links := _chosen(tried, groups, pieces, FILLS):
            return links
    return []


def _into_holes(groups: tuple[Layout, Layout], pieces: Compared, slides: Iterator[int]) -> list[Array]:
    """Motions from the second sheet to the first one that put a piece of it into a hole, upright or upside down."""
    large, small = groups
    found: list[Array] = []
    for b in sorted(small.sheet_from_tile):
        size, home = pieces.sizes[b], large.reference
        per_px = pieces.dpi[home] / pieces.dpi[b]
        for hole in holes(large.sheet_from_tile, pieces.sizes, (size, per_px)):
            for at, a in product((hole.at, hole.upside_down(size).at), hole.neighbors):
                if next(slides, None) is None:
                    return found
                details, guess = (pieces.details[a], pieces.details[b]), inverse(at) @ large.sheet_from_tile[a]
                reach = hole.reach / pieces.dpi[home] * MM_PER_INCH
                for motion in slid_near(details, guess, reach, COARSE, tilt_degrees=HOLE_DEGREES, distinct=True):
                    found.append(large.sheet_from_tile[a] @ inverse(small.sheet_from_tile[b] @ motion))
    return found


def _joined(groups: tuple[Layout, Layout], pieces: Compared, slides: Iterator[int]) -> list[Link]:
    """Links between two groups, or none: every other place must be far less alike, for drawing may repeat. Without that
    2 of 120 groups that share nothing were joined, with it none, and 15 true ones instead of 17."""
    tried = _tried(_proposed(groups, pieces, slides), groups, pieces)
    return _chosen(tried, groups, pieces, ANY_PLACE)


def _chosen(tried: list[_Together], groups: tuple[Layout, Layout], pieces: Compared, least: _Least) -> list[Link]:
    """Links of the best place tried, if it is sure and has no rival anywhere."""
    best = max(tried, key=lambda one: log_odds(one.seen, pieces.evidence), default=None)
    if best is None or not _sure(best, pieces, least):
        return []
    per_mm = float(np.mean([pieces.dpi[name] for name in groups[1].sheet_from_tile])) / MM_PER_INCH
    much, far = AS_MUCH * best.seen.amount, pieces.belief.apart_mm * per_mm
    every = [*tried, *_elsewhere(best, groups, pieces)]
    others = [one for one in every if one.seen.amount > much and _apart(best, one) > far]
    rivals = [one for one in others if not outdone(one.seen, best.seen, pieces.belief, pieces.evidence)]
    if not all(_leads(one, best, groups, pieces, per_mm) for one in rivals):
        return []
    chance = probability(best.seen, pieces.evidence)
    return [
        _link(pair, _motion(best.motion, groups, pair), one, pieces, chance)
        for pair, one in sorted(best.pairs.items())
        if one.amount > PAIR_DRAWN
    ]


def _elsewhere(best: _Together, groups: tuple[Layout, Layout], pieces: Compared) -> list[_Together]:
    """Other places all over the pair that shows most, turned as it is and by every quarter of that: an oval fits itself
    upside down."""
    pair = max(sorted(best.pairs), key=lambda names: best.pairs[names].amount)
    details, own = (pieces.details[pair[0]], pieces.details[pair[1]]), _motion(best.motion, groups, pair)
    sliding, tilt = replace(SlidingSettings(), most=pieces.belief.slid), pieces.belief.slid_degrees
    found = []
    for quarter in QUARTERS:
        for motion in slid_near(details, own @ quarter, ANYWHERE, sliding, tilt_degrees=tilt, distinct=True):
            drawn, seen = aligned(motion, details, pieces.evidence, rough=True)
            if seen.score >= pieces.belief.hopeless:
                found.append(groups[0].sheet_from_tile[pair[0]] @ inverse(groups[1].sheet_from_tile[pair[1]] @ drawn))
    return _tried(found, groups, pieces)


def _leads(one: _Together, best: _Together, groups: tuple[Layout, Layout], pieces: Compared, per_mm: float) -> bool:
    """True where the pictures grow ever more alike all the way from one place to the best: broad strokes do, and the
    two are one place; between a motif and its like they do not.

    per_mm : px of the sheet.
    """
    far = _apart(best, one)
    if far > FAR_MM * per_mm:
        return False
    steps = max(3, round(far / (STEP_MM * per_mm)))
    between = [best.motion * k / steps + one.motion * (1 - k / steps) for k in range(1, steps)]
    scores = [one.seen.score, *[_together(at, groups, pieces).seen.score for at in between], best.seen.score]
    rise = scores[-1] - scores[0]
    return bool(rise > RISE and np.diff(scores).min() > -SLACK - SLACK_SHARE * rise)


def _sure(laid: _Together, pieces: Compared, least: _Least) -> bool:
    """True where all overlaps as one show the same drawing, several of them speak, and none speaks against it."""
    seen, evidence = laid.seen, pieces.evidence
    speaking = [one for one in laid.pairs.values() if one.amount > PAIR_DRAWN]
    against = [one for one in speaking if one.strong >= LEAST_DRAWN and probability(one, evidence) < QUARREL]
    alike = seen.usual >= least.usual and seen.score >= least.score
    enough = seen.strong >= least.strong and len(speaking) >= PAIRS and not against
    return alike and enough and probability(seen, evidence) >= least.chance


def _proposed(groups: tuple[Layout, Layout], pieces: Compared, slides: Iterator[int]) -> list[Array]:
    """Motions from the second sheet to the first one that single pairs of pieces propose, no two nearly the same."""
    large, small = groups
    known = {frozenset((item.a, item.b)): item for one in groups for item, _ in one.dropped}
    found: list[Array] = []
    for a, b in product(sorted(large.sheet_from_tile), sorted(small.sheet_from_tile)):
        details = pieces.details[a], pieces.details[b]
        item = known.get(frozenset((a, b)))
        motions = [] if item is None else [item.b_from_a if item.a == a else inverse(item.b_from_a)]
        if next(slides, None) is not None:
            settings = replace(SlidingSettings(), most=PLACES)
            motions += slid(details, pieces.dpi[b] / pieces.dpi[a], settings)
        for motion in motions:
            drawn, seen = aligned(motion, details, pieces.evidence, rough=True)
            if seen.score >= pieces.belief.hopeless:
                found.append(large.sheet_from_tile[a] @ inverse(small.sheet_from_tile[b] @ drawn))
    return found


def _tried(motions: Sequence[Array], groups: tuple[Layout, Layout], pieces: Compared) -> list[_Together]:
    """What each motion makes of the two groups, but for those that do not agree at all."""
    return [laid for motion in motions if (laid := _laid(motion, groups, pieces))]


def _laid(motion: Array, groups: tuple[Layout, Layout], pieces: Compared) -> _Together | None:
    """The second group laid on the first one, drawn to where all cells agree; None where they do not at all.

    Broad strokes agree within some millimeters, so that one true place is come to from several sides: it is drawn on
    until it is no better.
    """
    best = _together(motion, groups, pieces)
    if best.seen.score < pieces.evidence.even:
        return None
    for _ in range(DRAWN_ON):
        drawn = _together(_drawn(best, groups), groups, pieces)
        if drawn.seen.score <= best.seen.score:
            break
        best = drawn
    return best


def _together(motion: Array, groups: tuple[Layout, Layout], pieces: Compared) -> _Together:
    large, small = groups
    places = dict(large.sheet_from_tile) | {name: motion @ at for name, at in small.sheet_from_tile.items()}
    pairs = {}
    for a, b in product(sorted(large.sheet_from_tile), sorted(small.sheet_from_tile)):
        if shared(places, pieces.sizes, a, b) >= LEAST_SHARE:
            details = pieces.details[a], pieces.details[b]
            pairs[a, b] = compare(_motion(motion, groups, (a, b)), details, pieces.evidence)
    return _Together(motion, pairs, _as_one(pairs, large))


def _as_one(pairs: Mapping[tuple[str, str], Evidence], large: Layout) -> Evidence:
    """All that several overlaps tell, as of one overlap; shifts are left out."""
    if not pairs:
        return Evidence(np.zeros((0, 2)), np.zeros(0), np.zeros(0), np.zeros((0, 2)), 0.0)
    every = list(pairs.values())
    middle = np.concatenate([moved(large.sheet_from_tile[a], one.middle) for (a, _), one in pairs.items()])
    likeness, drawing = (np.concatenate([getattr(one, what) for one in every]) for what in ("likeness", "drawing"))
    amounts, tones = np.array([one.amount for one in every]), np.array([one.tone_amount for one in every])
    bare = float(amounts @ [one.bare for one in every]) / max(float(amounts.sum()), 1e-9)
    tone = float(tones @ [one.tone for one in every]) / float(tones.sum()) if tones.sum() > 0 else 1.0
    return Evidence(middle, likeness, drawing, np.zeros_like(middle), bare, tone, float(tones.sum()))


def _drawn(laid: _Together, groups: tuple[Layout, Layout]) -> Array:
    """The motion fitted to where cells that agree were found; as it was where too few do."""
    src, dst, weights = [], [], []
    for (a, b), seen in laid.pairs.items():
        there = moved(_motion(laid.motion, groups, (a, b)), seen.middle + seen.shift)
        src.append(moved(groups[1].sheet_from_tile[b], there))
        dst.append(moved(groups[0].sheet_from_tile[a], seen.middle))
        weights.append(np.where(seen.likeness > TRUE_CELL, seen.drawing, 0.0))
    here, weight = np.concatenate(src), np.concatenate(weights)
    if np.count_nonzero(weight) < 3:
        return laid.motion
    fitted = similarity_matrix(fit_similarity(here, np.concatenate(dst), np.maximum(weight, 1e-9)))
    return scaled_to(fitted, scale_of(laid.motion), weight @ here / weight.sum())


def _motion(motion: Array, groups: tuple[Layout, Layout], pair: tuple[str, str]) -> Array:
    """b_from_a 3x3 of a pair (name in the first group, name in the second)."""
    return inverse(motion @ groups[1].sheet_from_tile[pair[1]]) @ groups[0].sheet_from_tile[pair[0]]


def _apart(one: _Together, two: _Together) -> float:
    """How far (px of the second sheet) two motions put what is shared under the first one from each other."""
    there = [moved(inverse(laid.motion), one.seen.middle) for laid in (one, two)]
    return float(np.hypot(*(there[0] - there[1]).T).max(initial=0))


def _link(pair: tuple[str, str], motion: Array, seen: Evidence, pieces: Compared, chance: float) -> Link:
    sigma = float(pieces.details[pair[0]].strokes.step)
    return link_by_cells(pair, motion, seen, sigma, chance=chance)
