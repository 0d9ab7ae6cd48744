"""I tell dust from what was drawn, by size in mm, contrast, company and what a second look in an overlap shows.

In: a table of finds of the whole page. Out: which of them are dust, the mask of their pixels, and why.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stitchbed.core.arrays import Floats, Mask
from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import area_mm, point_mm
from stitchbed.core.settings import Setting
from stitchbed.matching.robust import robust_spread
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.evidence import APART, COLORED, SURE_GAIN, fineness, lone
from stitchbed.page.dust.fibers import FiberLimits, pens_are_wider
from stitchbed.page.dust.finds import ALONE, FIBER, GRAY, HOLE, Finds, closed
from stitchbed.page.dust.surroundings import in_field, odds_among
from stitchbed.page.ink import InkTraits, softening

STRENGTHS = ("careful", "normal", "eager")
LEARNED_MM = 0.6  # longest side of the lone marks that were learned from


@dataclass(frozen=True)
class DustSettings:
    """strength : "careful" takes specks that stand on bare paper and are too gray, or too small, to be drawn, and on
    pages in pencil or paint none; "normal" also grays that touch a drawing; "eager" is less particular in all of that.
    The default is the one that harms nothing. largest : mm; the default is a grain of dust seen without a glass;
    in ink more counts for eager, or beside a second scan, only. Hairs that are thinner than any pen are taken up to
    3.4 mm, unless less than the default is asked for.
    smallest_dot : mm; the finest dot the pen makes: nothing as large and as black is taken, nor, in ink, anything as
    large and as white. The default, .12, is a fine liner's. keep : (x, y) mm from the clean page's top left: a speck
    within 1 mm stays. spare : (x, y, width, height) mm of places where nothing is taken. in_ink : also fill light
    specks in solid ink; not by default, for stars, highlights and the gaps of hatching look the same. second : another
    scan of the same sheet; what only one of both shows is dust, also light specks in ink, and what both show is not.
    """

    strength: Annotated[
        str, Setting("careful: only what cannot have been drawn.", option="dust", choices=STRENGTHS)
    ] = "careful"
    largest: Annotated[
        float, Setting("Largest dust; hairs thinner than any pen may be longer.", unit="mm", low=0.05, high=3)
    ] = LEARNED_MM
    smallest_dot: Annotated[float, Setting("The pen's finest dot.", unit="mm", low=0, high=5)] = 0.12
    in_ink: Annotated[
        bool,
        Setting("Also fill light specks in solid ink; stars and highlights may go with them.", option="specks-in-ink"),
    ] = False
    keep: Annotated[
        tuple[tuple[float, float], ...],
        Setting(
            "Mm from the clean page's top left: the mark there is no dust; may be given again.",
            unit="X,Y",
            low=0,
            many=True,
            read=point_mm,
        ),
    ] = ()
    spare: Annotated[
        tuple[tuple[float, float, float, float], ...],
        Setting(
            "Mm from the clean page's top left: no dust is taken in this place; may be given again.",
            unit="X,Y,WIDTH,HEIGHT",
            low=0,
            many=True,
            read=area_mm,
        ),
    ] = ()
    second: Annotated[
        Path | None,
        Setting("Another scan of the same sheet: what only one of both shows is dust, what both show is not."),
    ] = None


@dataclass(frozen=True)
class Limits:
    """What one strength means.

    odds, coarse : log of the odds from which a lone mark is dust, and what is added to it at 300 dpi. clear : share of
    what lies round it that must be paper. beside : ink that touches it at most. piece : that ink over its own peak: a
    bit of a thin pale stroke goes on as dark.
    shape, spreads : a find whose `shape` is more than this, and more than so many of the page's own spreads, below that
    of the page's dots is too gray or ragged to be ink. strange : least product of how far the unexplained gray and its
    peak rise above what acute crossings of clean strokes leave, for dust that touches a drawing. fiber : of hairs.
    fields : what may be one of a field of dots stays.
    """

    odds: float
    coarse: float
    clear: float
    beside: float
    piece: float
    shape: float
    spreads: float
    strange: float
    fiber: FiberLimits
    fields: bool = False


PIECE = 0.6  # measured on lines thinner than a pixel; the paper's grain beside pale dust makes .3 of it
# of full ink, at 300 and 600 dpi, by which a middle is darker; measured on crosses and on dust
CORE, BLACKEST = (0.04, 0.08), 0.95  # what is as dark as the latter is ink
INKY = 0.7  # of full ink: a paler middle is a flake's own mottle; at 600 dpi, where that shows
BESIDE = 0.3  # of full ink that touches a mark and is not its own: then the mark is the end of a stroke, or lies by one
# measured on own pages and printed drawings with dust, 300 and 600 dpi
LIMITS = {
    "careful": Limits(
        3.0, 1.0, 0.4, BESIDE, PIECE, np.inf, 5.0, np.inf, FiberLimits(0.65, 0.4, 1.8, 0.14, 0.3, 0.6, 0.35, 0.4), True
    ),
    "normal": Limits(
        2.0, 0.0, 0.3, BESIDE, PIECE, 0.12, 5.0, 0.2, FiberLimits(0.65, 0.5, 1.4, 0.16, 0.3, 1.0, 0.35, 0.8)
    ),
    "eager": Limits(
        1.5, 0.0, 0.15, np.inf, np.inf, 0.05, 3.0, 0.05, FiberLimits(0.75, 0.75, 0.0, 0.25, 0.1, 2.0, 0.5, np.inf)
    ),
}
COMPANY_MM = 2.0  # how far a dot's company may stand; stippling is closer than this, common practice, no source
COMPANY = {GRAY: 4, HOLE: 4}  # this many alike within COMPANY_MM are a texture that somebody drew
ALIKE = (1.4, 0.1)  # size ratio and difference of shape up to which two finds are of one kind
LETTER_MM, PALE_ALIKE, LETTERS = 1.2, (3.0, 0.25), 3  # so many pale marks as near as letters, of any size, are writing
KIN = 1.0  # mm of strokes as pale as a pale dot beside it: it then belongs to what was written there
PALE_COMPANY = 4  # the same for pale dots: dust is pale too, so more are wanted
LEAST_GRAY, LEAST_ODD = 2.0, 0.2  # in blur areas, of full ink; measured on clean drawn pages at 300, 600, 1200 dpi
COARSE_BLUR, COARSE = 0.55, 2.2  # px; scans sharper than their pixels leave that much more at clean crossings
SHUT = 0.1  # of full ink that all sides of a gray place are darker than it: then it is a light place in ink
GRAY_HOLE = 0.7  # of the paper's light; a whiter hole in a stroke may be the inside of a small letter
ENOUGH_DOTS = 12  # marks before the page's own dots are believed
USUAL_SPREAD = 0.02  # of the shape of drawn dots; measured on drawn pages at 300 dpi
CELL_MM, CROWD = 5.0, 250  # 10 a mm2; the densest stippling by hand has fewer, common practice, no source
BAND_MM = 30.0  # of the page in which company is counted at once
# paper round a find, where there is no ink to compare dust with: nothing is drawn within BARE_MM, or hardly anything
BARE = {"careful": 0.993, "normal": 0.985, "eager": 0.97}
LEAST_PEAK = 0.25  # of full ink; the tooth of paper and soft pencil leave paler grains far out
NEUTRAL = 0.15  # hue, on a page in pencil or paint; spattered color has more


def believed(settings: DustSettings, medium: str) -> DustSettings:
    """The settings dust is judged by: of ink, one scan alone tells marks apart that are no longer than those learned
    from. Where longer ones are looked at, what is seen of all others changes too, and drawn dots go as dust.
    """
    if medium != "ink" or settings.strength == "eager" or settings.second is not None:
        return settings
    return replace(settings, largest=min(settings.largest, LEARNED_MM))


def judged(
    finds: Finds,
    traits: InkTraits,
    scale: Scale,
    settings: DustSettings,
    *,
    twice: Mask | None = None,
    medium: str = "ink",
) -> Mask:
    """(n,) true where a find is dust. twice : (n,) finds that two scans showed alike: those are judged carefully.

    medium : of the page, one of `page.medium.MEDIA`; the specks of pencil and paint are as gray as dust.

    Raises
    ------
    BadSettings : unknown strength.
    """
    if not traits.found or medium != "ink":
        return _far_from_all(finds, scale, settings) & ~crowded(finds, scale)
    dust = _judged(finds, traits, scale, settings)
    if twice is not None and twice.any():
        dust &= ~twice | _judged(finds, traits, scale, replace(settings, strength="careful"))
    return dust & ~crowded(finds, scale)


def _far_from_all(finds: Finds, scale: Scale, settings: DustSettings) -> Mask:
    """Dust of a page without solid ink: pencil is as gray as dust, so only what lies by itself on paper is taken."""
    small = (finds.extent <= settings.largest) & (finds.hue < NEUTRAL) & (finds.kind == ALONE)
    lone = (finds.alone > 0.9) & (finds.bare > BARE[settings.strength]) & (finds.peak > LEAST_PEAK)
    near = company(finds, ALONE, scale, alike=(np.inf, np.inf)) == 0
    return np.asarray(small & lone & near)


def asked(finds: Finds, scale: Scale) -> Mask:
    """(n,) small lone marks of which company alone does not say that they are drawn: only those need to be weighed."""
    return np.asarray(lone(finds, scale) & (finds.kin < KIN) & (company(finds, ALONE, scale) < PALE_COMPANY))


def crowded(finds: Finds, scale: Scale) -> Mask:
    """(n,) finds in cells so full of finds that they are the tooth of the paper, pencil or a spatter: a texture."""
    cells = np.stack([finds.row, finds.col], axis=1) // (CELL_MM * scale.px_per_mm)
    _, inverse, count = np.unique(cells.astype(np.int64), axis=0, return_inverse=True, return_counts=True)
    return np.asarray(count[inverse.ravel()] > CROWD) if len(cells) else np.zeros(0, bool)


def _judged(finds: Finds, traits: InkTraits, scale: Scale, settings: DustSettings) -> Mask:
    if settings.strength not in LIMITS:
        raise BadSettings(
            f"dust strength {settings.strength!r}", expected=", ".join(STRENGTHS), attempt="--dust normal"
        )
    limits = LIMITS[settings.strength]
    small = (finds.extent <= settings.largest) & (finds.hue < COLORED)
    palest = palest_dot(finds, limits) - _leeway(finds, traits, scale)
    lone = _lone_dust(finds, limits, scale, settings)
    strange = np.maximum(finds.gray - LEAST_GRAY, 0) * np.maximum(finds.peak - LEAST_ODD, 0)
    gray = strange > limits.strange * (COARSE if traits.blur < COARSE_BLUR else 1)
    gray &= settings.in_ink | (finds.shut < SHUT)
    gray &= (finds.host == 0) | (finds.host >= palest)
    gray &= (company(finds, GRAY, scale) < COMPANY[GRAY]) & (finds.kin < KIN)
    white = (finds.alone > 0.5) & (finds.size < settings.smallest_dot)
    hole = white | ((finds.peak < GRAY_HOLE) & (finds.size < settings.largest / 2))
    hole &= settings.in_ink & (company(finds, HOLE, scale) < COMPANY[HOLE])
    fiber = pens_are_wider(finds, scale.px_per_mm, limits.fiber, settings.smallest_dot)
    fiber &= (settings.largest >= LEARNED_MM) | (finds.stroke[:, 0] <= settings.largest)
    dust = fiber | small & np.choose(finds.kind, [lone, gray, hole, fiber])
    return np.asarray(dust & ~closed(finds, dust & np.isin(finds.kind, (ALONE, FIBER))))


def palest_dot(finds: Finds, limits: Limits) -> float:
    """The least `shape` of what the page's pen draws: its dots are the measure where there are enough of them."""
    drawn = (finds.kind == ALONE) & (finds.alone > APART) & (finds.shape > 0.82)
    shapes = finds.shape[drawn & (finds.size > 0.18) & (finds.size < 0.8)]
    if len(shapes) < ENOUGH_DOTS:
        return 1 - limits.shape - limits.spreads * USUAL_SPREAD
    center = float(np.median(shapes))
    spread = robust_spread(shapes)
    return center - max(limits.shape, limits.spreads * spread)


def _leeway(finds: Finds, traits: InkTraits, scale: Scale) -> Floats:
    """(n,) how much paler a drawn dot may look because it is hardly larger than the scan's blur."""
    blurred = np.hypot(traits.blur, softening(scale.px_per_mm)) / scale.px_per_mm / np.maximum(finds.size, 1e-3)
    return np.asarray(np.clip(0.6 * (blurred - 0.12), 0, 0.15), np.float32)


def _lone_dust(finds: Finds, limits: Limits, scale: Scale, settings: DustSettings) -> Mask:
    """Marks that stand alone, on paper, and are too gray, too thin or too far from all drawing to be drawn."""
    apart = lone(finds, scale) & (finds.kin < KIN) & (finds.bare > limits.clear)
    apart &= finds.beside < np.minimum(limits.beside, limits.piece * finds.peak)
    apart &= (company(finds, ALONE, scale) < PALE_COMPANY) & ~_cored(finds, scale)
    seen = odds_among(finds, scale, settings.smallest_dot)
    dust = apart & (seen > limits.odds + limits.coarse * (1 - fineness(scale)))
    if limits.fields:
        dust &= ~in_field(finds, seen, scale, settings.smallest_dot)
    # letters stand by letters as pale as they are; dust beside black dots is no writing
    written = company(finds, ALONE, scale, within=LETTER_MM, alike=PALE_ALIKE, among=dust) >= LETTERS
    return np.asarray(dust & ~written)


def _cored(finds: Finds, scale: Scale) -> Mask:
    """(n,) marks with a middle as dark as ink, or darker than the even gray that fits them: small stars and crosses."""
    core = CORE[0] + (CORE[1] - CORE[0]) * fineness(scale)
    darker = (finds.peak > np.maximum(finds.dark + core, INKY * fineness(scale))) & (finds.gain > SURE_GAIN)
    return np.asarray((finds.peak > BLACKEST) | darker)


def company(
    finds: Finds,
    kind: int,
    scale: Scale,
    *,
    within: float = COMPANY_MM,
    alike: tuple[float, float] = ALIKE,
    among: Mask | None = None,
) -> NDArray[np.int64]:
    """(n,) how many of the same kind stand `within` mm of each find of `kind` whose size and shape are alike.

    alike : largest ratio of sizes, largest difference of shapes. among : (n,) finds that count, all where None.
    """
    count = np.zeros(len(finds.kind), np.int64)
    meant = (finds.kind == kind) & ((kind != ALONE) | (finds.alone > APART)) & ~crowded(finds, scale)
    which = np.flatnonzero(meant if among is None else meant & among)
    if len(which) < 2:
        return count
    places = np.stack([finds.row[which], finds.col[which]], axis=1).astype(np.float64) / scale.px_per_mm
    for top in np.arange(0, places[:, 0].max() + 1, BAND_MM):
        band = (places[:, 0] >= top - within) & (places[:, 0] < top + BAND_MM + within)
        here = which[band]
        pairs = cKDTree(places[band]).query_pairs(within, output_type="ndarray")
        a, b = here[pairs[:, 0]], here[pairs[:, 1]]
        same = np.abs(np.log(finds.size[a] / finds.size[b])) < np.log(alike[0])
        same &= np.abs(finds.shape[a] - finds.shape[b]) < alike[1]
        for one in (a[same], b[same]):
            inside = (finds.row[one] / scale.px_per_mm >= top) & (finds.row[one] / scale.px_per_mm < top + BAND_MM)
            np.add.at(count, one[inside], 1)
    return count
