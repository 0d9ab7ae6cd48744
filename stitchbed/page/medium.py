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

from stitchbed.core.arrays import Floats, Mask
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
# of what is drawn in tones between: pages in ink showed up to .013, in pencil or paint .36 and more, 300 and 600 dpi
MOST_TONES = 0.05
NEAR_MM, PALE = 0.15, 0.5  # a mark with nothing darker than that share of the page's ink so near is pale
LONG_MM = 1.0  # of a mark; smaller ones may be dust, which is pale on ink pages too
# long, of what is marked, or paleness says nothing: fibers among dots had .03-.07, strokes of any kind .88 and more
LEAST_LONG = 0.2
MOST_PALE = 0.08  # of what is drawn; 66 pages in ink showed up to .034, in pencil with much black in it .15 and more
PAINTED = 0.6  # of those tones in broad areas; pencil pages showed up to .5, paint .75 and more
MOST_COLOR = 0.1  # of what is drawn; more is no graphite


@dataclass(frozen=True)
class Medium:
    """name : one of MEDIA. tones : share 0..1 of what is drawn that is neither ink nor paper nor an edge between them.

    areas : share in tones at least BROAD_MM wide. colored : share of what is drawn that is colored. pale : share with
    nothing as dark near it as ink would be. asked : told by the user, not found.
    """

    name: str
    tones: float
    areas: float
    colored: float
    pale: float
    asked: bool = False


def medium_of(samples: Sequence[Floats], px_per_mm: float, wish: str = "found") -> Medium:
    """The medium of (h, w, c) windows of light relative to paper, or the one wished for with the shares measured."""
    counts = np.zeros(4)
    for light in samples:
        counts += _counted(light, px_per_mm)
    tones, areas, colored = (float(count / max(counts[0], 1)) for count in counts[1:])
    pale = _pale([luminance(light) for light in samples], px_per_mm, float(counts[0]))
    name = _named(tones, areas, colored, pale) if counts[0] >= LEAST_MARKED else "ink"
    return Medium(name if wish == "found" else wish, tones, areas, colored, pale, asked=wish != "found")


def _named(tones: float, areas: float, colored: float, pale: float) -> str:
    if tones <= MOST_TONES and pale <= MOST_PALE:
        return "ink"
    return "paint" if colored > MOST_COLOR or areas > PAINTED * tones else "pencil"


def _counted(light: Floats, px_per_mm: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """(4,) px that are marked, in tones between, in broad areas of those, colored."""
    missing = 1 - cv2.GaussianBlur(luminance(light), (0, 0), max(0.5, 0.05 * px_per_mm))
    marked = missing > FAINT
    between = marked & (missing < DARK) & ~_steep(missing, px_per_mm)
    spread = (most_of(light) - least_of(light)) > COLORED
    broad = _opened(between, BROAD_MM * px_per_mm)
    return np.array([m.sum() for m in (marked, between, broad, spread & marked)], np.float64)


def _pale(samples: Sequence[Floats], px_per_mm: float, marked: float) -> float:
    """Share of what is drawn in (h, w) windows of light that is pale, measured by the darkest that is drawn.

    marked : px in all. Where most of it lies in dots, what is long is fibers of dust: none is pale.
    """
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(NEAR_MM * px_per_mm) + 1,) * 2)
    darkest = [cv2.dilate(1 - light, disc)[_drawn(1 - light, px_per_mm)] for light in samples]
    every = np.concatenate(darkest) if darkest else np.zeros(0, np.float32)
    told = every.size > LEAST_LONG * marked
    return float((every < PALE * np.percentile(every, 98)).mean()) if told else 0.0


def _drawn(missing: Floats, px_per_mm: float) -> Mask:
    """What is marked, in marks too long to be dust."""
    marked = (cv2.GaussianBlur(missing, (0, 0), max(0.5, 0.05 * px_per_mm)) > FAINT).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(marked, connectivity=8)
    long = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) > LONG_MM * px_per_mm
    long[0] = False
    return np.asarray(long[labels])


def _steep(missing: Floats, px_per_mm: float) -> Mask:
    """Where light changes within FLAT_MM as it does from ink to paper."""
    side = 2 * round(FLAT_MM / 2 * px_per_mm) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(cv2.dilate(missing, disc) - cv2.erode(missing, disc) > FLAT)


def _opened(mask: Mask, side: float) -> Mask:
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (max(3, round(side)),) * 2)
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, disc) > 0)
