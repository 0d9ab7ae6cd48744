"""I tell what a page was made with: ink, pencil or paint; each is cleaned by rules of its own.

In: sample windows of light relative to paper. Out: a `Medium` and the shares it was told from.

Ink on paper has two tones and sharp edges between them. Where much of what is drawn lies in between, the page is pencil
or paint; paint lies in areas or is colored, pencil is gray and made of strokes. In doubt it is not ink: the rules for
pencil and paint take less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial import cKDTree

from stitchbed.core.arrays import Array, Floats, Ints, Labels, Mask
from stitchbed.core.settings import Setting
from stitchbed.imaging.gray import least_of, most_of
from stitchbed.page.page import luminance

MEDIA = ("ink", "pencil", "paint")
MEDIUM = Setting("What the page is made with; found from the page unless told.", choices=("found", *MEDIA))
FAINT, DARK = 0.06, 0.75  # of the paper's light that is missing: below is paper, above is ink
FLAT_MM, FLAT = 0.3, 0.22  # tones that differ by less within so much are no edge between ink and paper
BROAD_MM = 0.8  # an area that wide is painted, not drawn with a pencil's point
COLORED = 0.12  # spread of the channels, of the paper's light
LEAST_MARKED = 500  # px; fewer say nothing
# of what is drawn in tones between: 55 pages in ink, most with dust, showed up to .022, a dense one in dots .081;
# pencil .046 and more, but for pencil that is as black as ink; 300 and 600 dpi
MOST_TONES = 0.03
NEAR_MM, PALE = 0.15, 0.5  # a mark with nothing darker than that share of the page's ink so near is pale
LONG_MM = 1.0  # of a mark; smaller ones may be dust, which is pale on ink pages too
# long, of what is marked, or paleness says nothing: fibers among dots had .03-.07, strokes of any kind .88 and more
LEAST_LONG = 0.2
# of full ink across a mark, on the mean: hairs are thinner. Strokes of a pencil have more like them so near
HAIR_MM, HAIRS_MM, MOST_HAIRS = 0.1, 3.0, 3
MOST_PALE = 0.06  # of what is drawn; the same pages in ink showed up to .059, hair lines .095, in pencil .1 and more
# what lies that deep in dark marks, and how far round it its own level is taken; so many px, or it says nothing
CORE_MM, LEVEL_MM, LEAST_CORE = 0.085, 0.3, 400
# of the paper's light, between quarters: ink showed up to .026, graphite, which catches on the tooth of the paper, .041
# and more, however dark it is; 300 dpi
MOST_UNEVEN = 0.04
PAINTED = 0.6  # of those tones in broad areas; pencil pages showed up to .5, paint .75 and more
MOST_COLOR = 0.1  # of what is drawn; more is no graphite
NEARLY = 0.6  # of a limit, or more: other pages like that were the other medium


@dataclass(frozen=True)
class Medium:
    """name : one of MEDIA. tones : share 0..1 of what is drawn that is neither ink nor paper nor an edge between them.

    areas : share in tones at least BROAD_MM wide. colored : share of what is drawn that is colored. pale : share with
    nothing as dark near it as ink would be. asked : told by the user, not found. uneven : of the paper's light,
    how much the middle of dark marks goes up and down, half of it within that. other : what else it may be, "" where it
    is far from all limits, or told by the user.
    """

    name: str
    tones: float
    areas: float
    colored: float
    pale: float
    asked: bool = False
    uneven: float = 0.0
    other: str = ""


def medium_of(samples: Sequence[Floats], px_per_mm: float, wish: str = "found") -> Medium:
    """The medium of (h, w, c) windows of light relative to paper, or the one wished for with the shares measured."""
    missing = [1 - luminance(light) for light in samples]
    drawn, long = _drawn([_marks(m, px_per_mm) for m in missing])
    counts = sum((_counted(*each, px_per_mm) for each in zip(samples, drawn, strict=True)), np.zeros(5))
    tones, areas, colored = (float(counts[n] / max(counts[of], 1)) for n, of in ((1, 0), (2, 0), (3, 4)))
    pale = _pale(missing, long, counts[0], px_per_mm)
    uneven = _uneven(missing, px_per_mm)
    if wish != "found":
        return Medium(wish, tones, areas, colored, pale, True, uneven)
    name, other = "ink", ""
    if counts[4] >= LEAST_MARKED:
        name, other = _named(tones, areas, colored, max(pale / MOST_PALE, uneven / MOST_UNEVEN))
    return Medium(name, tones, areas, colored, pale, False, uneven, other)


def doubt_words(medium: Medium) -> list[str]:
    """What to tell of a page whose medium is not sure: what it was taken for, what else it may be, and what decides."""
    if not medium.other:
        return []
    harm = {
        "ink": "is ink, of which dust is taken and the darkest made black",
        "pencil": "is pencil, of which no speck is taken unasked and every gray stays",
        "paint": "is paint, of which no speck is taken unasked and every tint stays",
    }
    return [
        f"the page was taken for {medium.name}, but may be {medium.other}: look, and say --medium {medium.other} if it "
        f"{harm[medium.other]}; --medium {medium.name} says that it was taken for the right one"
    ]


def _named(tones: float, areas: float, colored: float, gray: float) -> tuple[str, str]:
    """The medium, and what else it may be or "". gray : over 1 where marks are paler than ink, or not as even."""
    unlike_ink = max(tones / MOST_TONES, gray)
    like_paint = max(colored / MOST_COLOR, areas / max(PAINTED * tones, 1e-9))
    soft, not_soft = ("paint", "pencil") if like_paint > 1 else ("pencil", "paint")
    if unlike_ink <= 1:
        return "ink", soft if unlike_ink >= NEARLY else ""
    if unlike_ink * NEARLY <= 1:
        return soft, "ink"
    return soft, not_soft if NEARLY <= like_paint <= 1 / NEARLY else ""


def _counted(light: Floats, drawn: Mask, px_per_mm: float) -> Array:
    """(5,) px that are drawn, of those in tones between and in broad areas of these; colored, marked in all."""
    missing = _softened(1 - luminance(light), px_per_mm)
    marked = missing > FAINT
    between = drawn & (missing < DARK) & ~_steep(missing, px_per_mm)
    spread = (most_of(light) - least_of(light)) > COLORED
    broad = _opened(between, BROAD_MM * px_per_mm)
    return np.array([m.sum() for m in (drawn, between, broad, spread & marked, marked)], np.float64)


def _softened(missing: Floats, px_per_mm: float) -> Floats:
    return np.asarray(cv2.GaussianBlur(missing, (0, 0), max(0.5, 0.05 * px_per_mm)), np.float32)


def _pale(missing: Sequence[Floats], long: Sequence[Mask], drawn: float, px_per_mm: float) -> float:
    """Share of what is drawn in long marks that is pale, measured by the darkest of it; 0 where most lies in dots.

    drawn : px in all.
    """
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(NEAR_MM * px_per_mm) + 1,) * 2)
    darkest = [cv2.dilate(m, disc)[where] for m, where in zip(missing, long, strict=True)]
    every = np.concatenate(darkest) if darkest else np.zeros(0, np.float32)
    told = every.size > LEAST_LONG * drawn
    return float((every < PALE * np.percentile(every, 98)).mean()) if told else 0.0


def _uneven(missing: Sequence[Floats], px_per_mm: float) -> float:
    """How far half of what lies deep in dark marks is off the level round it; 0 where too little does."""
    deep, side = (2 * round(reach * px_per_mm) + 1 for reach in (CORE_MM, LEVEL_MM))
    off = []
    for m in missing:
        core = (cv2.erode(m, np.ones((deep, deep), np.uint8)) > PALE).astype(np.float32)
        share = cv2.blur(core, (side, side))
        level = cv2.blur(m * core, (side, side)) / np.maximum(share, 1e-6)
        off.append((m - level)[core > 0])
    every = np.concatenate(off) if off else np.zeros(0, np.float32)
    return float(np.ptp(np.percentile(every, (25, 75)))) if every.size >= LEAST_CORE else 0.0


@dataclass(frozen=True)
class _Marks:
    """labels : (h, w) of what is marked. size : (n + 1,) px of each; of what is not, 0. long, hair : (n + 1,) too long
    for a grain of dust; such a one, but with no more ink for its length than a hair has, and few like it near.
    """

    labels: Labels
    size: Ints
    long: Mask
    hair: Mask


def _marks(missing: Floats, px_per_mm: float) -> _Marks:
    marked = (_softened(missing, px_per_mm) > FAINT).astype(np.uint8)
    count, labels, stats, places = cv2.connectedComponentsWithStats(marked, connectivity=8, ltype=cv2.CV_32S)
    extent = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) / px_per_mm
    mass = np.bincount(labels.ravel(), missing.ravel(), count) / px_per_mm**2
    size = stats[:, cv2.CC_STAT_AREA].astype(np.int64)
    size[0] = 0
    long = (extent > LONG_MM) & (size > 0)
    hair = np.flatnonzero(long & (mass < HAIR_MM * extent))
    kept = np.zeros(count, bool)
    if hair.size:
        near = cKDTree(places[hair] / px_per_mm)
        kept[hair] = np.asarray(near.query_ball_point(near.data, HAIRS_MM, return_length=True)) <= MOST_HAIRS
    return _Marks(labels, size, long, kept)


def _drawn(marks: Sequence[_Marks]) -> tuple[list[Mask], list[Mask]]:
    """(h, w) each: what was drawn, and what of it lies in long marks.

    Dust is pale on ink pages too: what looks like its grains and hairs counts only where most of what is marked does.
    """
    sure = [m.long & ~m.hair for m in marks]
    most = sum(int(m.size[s].sum()) for m, s in zip(marks, sure, strict=True))
    if 2 * most < sum(int(m.size.sum()) for m in marks):
        return [m.labels > 0 for m in marks], [m.long[m.labels] for m in marks]
    found = [np.asarray(s[m.labels]) for m, s in zip(marks, sure, strict=True)]
    return found, found


def _steep(missing: Floats, px_per_mm: float) -> Mask:
    """Where light changes within FLAT_MM as it does from ink to paper."""
    side = 2 * round(FLAT_MM / 2 * px_per_mm) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(cv2.dilate(missing, disc) - cv2.erode(missing, disc) > FLAT)


def _opened(mask: Mask, side: float) -> Mask:
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (max(3, round(side)),) * 2)
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, disc) > 0)
