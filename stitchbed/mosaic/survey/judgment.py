"""I judge the motions proposed for two pieces by all that they would share.

In: proposed links of a pair, both pieces' leveled pictures, the scale their dpi say. Out: the most probable link, or
why none is believed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import moved, scale_of
from stitchbed.matching.features import Keypoints
from stitchbed.matching.hypotheses import LinkSettings
from stitchbed.matching.overlap_evidence import (
    ODD_FREE,
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
from stitchbed.matching.similarity_links import Link, NoLink, Sight, proposals
from stitchbed.matching.sliding import SlidingSettings, fits_aside, slid_near
from stitchbed.mosaic.islands.two_drawings import TwiceSettings, of_two_kinds

ANYWHERE = 1e9  # mm
QUARTERS = [np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) for c, s in ((1, 0), (-1, 0), (0, 1), (0, -1))]
FEW_CELLS = 3.5  # of drawing, up to which likenesses of two motions differ by chance by `clearer`


@dataclass(frozen=True)
class BeliefSettings:
    """least: probability from which a link is kept, for loops to confirm. sure: from which no other motion is tried.
    tries: motions judged per pair, those under which the pictures agree most. scale_noise: share within which a scale
    found from few points may be the dpi's. other_scale: likeness that another scale than the dpi's must gain to be
    believed, for scanners keep theirs to a ten-thousandth; sure_scale: the same where the link is sure with it and
    scale_points show it, for few points fit many scales.
    rival: share of the best motion's agreement and probability from which another one that puts the overlap more than
    apart_mm away makes the link ambiguous, unless it is less alike by `clearer`. hopeless: likeness under which a
    motion is not worth drawing to its place. alike: likeness of the middle cell under which a link with `enough` cells'
    worth of drawing is too doubtful without a loop: 41 true overlaps had .88 or more, all but 11 of 187 false motions
    less. as_much: share of a link's drawing that a rival must have, for a single line fits in many places. many: points
    of a link from which they have voted for every place there is. slid, slid_degrees: places, and turns against the
    link, at which one of fewer points that no loop checks is looked for again; turned_clearer: clearer where it is
    turned by quarters as well.
    motifs: patches that hold two parts of a layout together although each of them comes again elsewhere.
    once, once_drawn: likeness and cells of drawing of a place where what repeats lies on itself and not on its like.
    once_clearer, once_odds: by how much every other place must be less alike, or less probable for its odd cells.
    twice: what tells two drawings of one motif from one drawing seen twice.
    """

    least: float = 0.2
    sure: float = 0.9
    tries: int = 8
    scale_noise: float = 5e-3
    other_scale: float = 0.1
    sure_scale: float = 0.02
    scale_points: int = 12
    rival: float = 0.75
    clearer: float = 0.08
    apart_mm: float = 3.0
    hopeless: float = 0.25
    alike: float = 0.87
    enough: float = 1.0
    as_much: float = 0.5
    many: int = 60
    slid: int = 12
    slid_degrees: float = 1.0
    turned_clearer: float = 0.04
    once: float = 0.93
    once_drawn: float = 6.0
    once_clearer: float = 0.1
    once_odds: float = 2.5
    motifs: int = 8
    twice: TwiceSettings = field(default_factory=TwiceSettings)


@dataclass(frozen=True)
class PieceView:
    """What two pieces are compared by."""

    keypoints: Keypoints
    sight: Sight
    detail: Detail


def judged_link(
    pair: tuple[PieceView, PieceView],
    scale: float,
    links: LinkSettings,
    *,
    belief: BeliefSettings,
    evidence: EvidenceSettings,
) -> Link | NoLink:
    """The link that two pieces' pictures propose and that all they would share bears out. scale : dpi_b / dpi_a."""
    one, two = pair
    found = proposals(one.keypoints, two.keypoints, (one.sight, two.sight), scale, links)
    if isinstance(found, NoLink):
        return found
    return believed(found, (one.detail, two.detail), scale, settings=belief, evidence=evidence)


def believed(
    proposed: Sequence[Link],
    details: tuple[Detail, Detail],
    scale: float,
    *,
    settings: BeliefSettings,
    evidence: EvidenceSettings,
) -> Link | NoLink:
    """The most probable of the links proposed for one pair (at least one). scale : dpi_b / dpi_a."""
    judged: list[tuple[float, Link, Evidence]] = []
    for item in proposed[: settings.tries]:
        if judged and judged[0][0] > settings.sure and item.agreement < settings.rival * proposed[0].agreement:
            break
        motion, seen = _best_motion(item, details, scale, settings, evidence)
        chance = probability(seen, evidence)
        judged.append((chance, replace(item, b_from_a=motion, probability=chance), seen))
        judged.sort(key=lambda one: -one[0])
    if not judged:
        raise ValueError("no link was proposed")
    chance, item, seen = judged[0]
    if chance < settings.least:
        return NoLink(item.a, item.b, difference(seen), len(item.xy_a), chance)
    apart = settings.apart_mm * details[0].strokes.step / details[0].strokes.pixel_mm
    others = [there for _, one, there in judged[1:] if _apart(item.b_from_a, one.b_from_a, seen) > apart]
    elsewhere = min((one.differs for one in others if one.amount > settings.as_much * seen.amount), default=np.inf)
    ambiguous = any(rivals(seen, there, settings, evidence) for there in others)
    return replace(item, ambiguous=ambiguous, drawn=seen.strong, differs=seen.differs, elsewhere=elsewhere)


def rivals(seen: Evidence, other: Evidence, settings: BeliefSettings, evidence: EvidenceSettings) -> bool:
    """True where another motion fits about as well: cells that differ make a refrain less probable, and yet it is one.

    Only a motion without such cells, under which all is clearly more alike, has no rival in it. A rival whose tones
    differ is none only as far as the motion itself has tones: a screen of dots fits wherever it has few.
    """
    if seen.odd < ODD_FREE and other.score < seen.score - settings.clearer:
        return False
    mine, theirs = (probability(one, evidence, odd=False) for one in (seen, _as_toned(other, seen)))
    return theirs > settings.rival * mine


def checked_alone(
    item: Link, details: tuple[Detail, Detail], *, settings: BeliefSettings, evidence: EvidenceSettings
) -> Link:
    """A link that no loop checks, as it is to be believed: less where even what fits is not as alike as one drawing
    seen twice, ambiguous where the pieces, slid over one another, fit about as well elsewhere, and with a slip where
    they do so close by.

    Points propose only what stands out: of a wall, a row of bricks or lines of text they see few of many places.
    """
    seen = compare(item.b_from_a, details, evidence)
    if not _alike(seen, settings):
        return replace(item, probability=min(item.probability, settings.least))
    if len(item.xy_a) >= settings.many and not item.by_cells:  # cells have voted for no other place
        return item
    slip = _slip(item, seen, details, settings, evidence)
    item = replace(item, slip_mm=slip) if slip else item
    pixel_mm = details[1].strokes.pixel_mm / details[1].strokes.step
    for drawn, there, least in _elsewhere(item, details, settings, evidence):
        far = _apart(item.b_from_a, drawn, seen) * pixel_mm
        much = there.amount > settings.as_much * seen.amount and _alike(there, settings)
        # all cells of lines side by side say the same: many of them tell no finer
        least = least if slip else finer(least, seen, there)
        if far > settings.apart_mm and much and rivals(seen, there, least, evidence):
            once, shown = once_alike(details, scale_of(item.b_from_a), settings=settings, evidence=evidence)
            here = shown is not None and _apart(item.b_from_a, once, seen) * pixel_mm < settings.apart_mm
            return item if here else replace(item, ambiguous=True)
    return item


def _slip(
    item: Link, seen: Evidence, details: tuple[Detail, Detail], settings: BeliefSettings, evidence: EvidenceSettings
) -> float:
    """How far aside, mm, two pieces fit about as well, within what counts as one place; 0 where they do not."""
    own, aside = fits_aside(item.b_from_a, details, settings.apart_mm, evidence)
    least = own - finer(settings, seen, seen).clearer
    return max([mm for likeness, mm in aside if likeness > least], default=0.0)


def _elsewhere(
    item: Link, details: tuple[Detail, Detail], settings: BeliefSettings, evidence: EvidenceSettings
) -> Iterator[tuple[Array, Evidence, BeliefSettings]]:
    """Motions all over two pieces under which they agree best, turned as their link is and by every quarter of it, for
    a round motif fits itself in many turns; as they are found, with what tells them from the link's."""
    sliding, turned = replace(SlidingSettings(), most=settings.slid), replace(settings, clearer=settings.turned_clearer)
    for quarter in QUARTERS:
        guess, least = item.b_from_a @ quarter, settings if quarter is QUARTERS[0] else turned
        for motion in slid_near(details, guess, ANYWHERE, sliding, tilt_degrees=settings.slid_degrees, distinct=True):
            yield *aligned(motion, details, evidence), least


def once_alike(
    details: tuple[Detail, Detail], scale: float, *, settings: BeliefSettings, evidence: EvidenceSettings
) -> tuple[Array, Evidence | None]:
    """The one motion of all, upright or upside down, under which two pieces are as alike as one drawing seen twice,
    where every other that shows as much is less so by far; None where there is none such. scale : dpi_b / dpi_a."""
    upright, sliding = np.diag([scale, scale, 1.0]), replace(SlidingSettings(), most=settings.slid, larger=0.0)
    tilt, least = sliding.tilt_degrees, sliding.least_share
    tried = [
        aligned(motion, details, evidence)
        for guess in (upright, upright @ np.diag([-1.0, -1.0, 1.0]))
        for motion in slid_near(details, guess, ANYWHERE, sliding, tilt_degrees=tilt, distinct=True, least=least)
    ]
    drawn = [one for one in tried if one[1].strong >= settings.once_drawn]
    motion, seen = max(drawn, key=lambda one: one[1].score, default=(upright, None))
    if seen is None or min(seen.score, seen.usual) < settings.once or seen.differs > settings.twice.most:
        return upright, None
    much = settings.as_much * seen.amount
    apart = settings.apart_mm * details[1].strokes.step / details[1].strokes.pixel_mm
    others = [there for one, there in tried if there.amount > much and _apart(motion, one, seen) > apart]
    return motion, seen if all(outdone(there, seen, settings, evidence) for there in others) else None


def outdone(other: Evidence, seen: Evidence, settings: BeliefSettings, evidence: EvidenceSettings) -> bool:
    """True where another motion is far less alike, or far less probable for some cells of it that are odd, or lays one
    motif on another drawing of it where `seen` shows one drawing twice."""
    if seen.strong >= settings.twice.drawn and of_two_kinds(seen.differs, other.differs, settings.twice):
        return True
    mine, theirs = (log_odds(one, evidence) for one in (seen, _as_toned(other, seen)))
    return other.score < seen.score - settings.once_clearer or theirs < mine - settings.once_odds


def _as_toned(other: Evidence, seen: Evidence) -> Evidence:
    """The same with no more tones than `seen` has."""
    return replace(other, tone_amount=min(other.tone_amount, seen.tone_amount))


def finer(settings: BeliefSettings, one: Evidence, two: Evidence) -> BeliefSettings:
    """The same with a smaller likeness that tells two motions apart, the more cells both have: of a printed pattern
    hundreds fit to .97 at every place and to .99 at the true one."""
    cells = min(one.amount, two.amount)
    return replace(settings, clearer=settings.clearer / (1 + cells / FEW_CELLS) ** 0.5)


def _alike(seen: Evidence, settings: BeliefSettings) -> bool:
    return seen.amount <= settings.enough or seen.usual >= settings.alike


def _apart(one: Array, two: Array, seen: Evidence) -> float:
    """How far (px of the second piece) two motions put the overlap from each other."""
    return float(np.hypot(*(moved(one, seen.middle) - moved(two, seen.middle)).T).max(initial=0))


def link_by_cells(names: tuple[str, str], motion: Array, seen: Evidence, sigma: float, *, chance: float) -> Link:
    """The link of a motion that no points propose: its points are the cells that agree."""
    good = seen.likeness > TRUE_CELL
    xy_a = seen.middle[good]
    xy_b = moved(motion, xy_a + seen.shift[good])
    return Link(*names, motion, xy_a, xy_b, sigma, seen.score, 0.0, True, chance, by_cells=True)


def difference(seen: Evidence) -> str:
    """What speaks against a motion, in words."""
    drawn = seen.drawing > 0.2
    if seen.amount < 1 or not drawn.any():
        return "hardly anything is drawn where they would overlap"
    unlike = int((seen.likeness[drawn] < 0.6).sum())
    if unlike > 0.15 * drawn.sum():
        return f"{unlike} of {int(drawn.sum())} places with drawing differ where they would overlap"
    return f"{100 * seen.bare:.0f} % of the drawing is in one of them only where they would overlap"


def _best_motion(
    item: Link, details: tuple[Detail, Detail], scale: float, settings: BeliefSettings, evidence: EvidenceSettings
) -> tuple[Array, Evidence]:
    """The motion at the scale of the dpi, drawn to where it fits; at a scale of its own only where that fits better."""
    held = scaled_to(item.b_from_a, scale, item.xy_a.mean(0))
    seen = compare(held, details, evidence)
    if seen.score < settings.hopeless:
        return held, seen
    if probability(seen, evidence) < settings.sure:
        held, seen = aligned(held, details, evidence)
    if abs(scale_of(item.b_from_a) / scale - 1) < settings.scale_noise:
        return held, seen
    free, other = aligned(item.b_from_a, details, evidence, keep_scale=False)
    if abs(scale_of(free) / scale - 1) < settings.scale_noise:
        return held, seen
    shown = len(item.xy_a) >= settings.scale_points and probability(other, evidence) > settings.sure
    proof = settings.sure_scale if shown else settings.other_scale
    return (free, other) if other.score > seen.score + proof else (held, seen)


def pair_scale(dpi: Array, pair: tuple[int, int]) -> float:
    """Magnification from the first to the second piece that their dpi say."""
    return float(np.divide(*dpi[[pair[1], pair[0]]]))
