"""I set black and white point, and decide how hard an edge is.

In: light relative to paper (paper 1). Out: light 0..1 with ink at 0 and paper at 1, and how jagged its edges are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import cv2
import numpy as np

from stitchbed.core.arrays import Floats
from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.core.settings import Setting
from stitchbed.imaging.gray import least_of
from stitchbed.page.ink import InkTraits
from stitchbed.page.page import luminance

EDGES = ("soft", "crisp", "hard")


def tone_word(words: str) -> str | float:
    """A point of tone as said: found, keep, or an L*.

    Raises
    ------
    ValueError : none of these.
    """
    if words in ("found", "keep"):
        return words
    try:
        lightness = float(words)
    except ValueError:
        raise ValueError(f"{words!r} is not found, keep or a lightness L*") from None
    if not 0 <= lightness <= 100:
        raise ValueError(f"a lightness L* of {words}; it goes from 0 to 100")
    return lightness


GRAIN_SDS = 3.5  # of the paper's grain that go white with it; one pixel in 4000 of bare paper stays visible
INK_SDS = 1.0  # of the ink's grain that go black with it
MOST_GRAIN = 0.1  # of the paper's light; rougher paper keeps some grain rather than losing pale strokes
LEAST_GRAIN = 0.004  # of the paper's light, one sd; smooth paper and a quiet scanner
NEAR_MM = 0.35  # one sd of the neighborhood that tells bare paper from a wash
BARE, WASHED = 0.004, 0.010  # of the paper's light missing there: from bare to a wash of one percent
THIN_MM = 0.2  # within this far a stroke's darkest place is sought, so that thin pale strokes are not lost
FAINTEST = 0.1  # of full ink; nothing fainter becomes a stroke when edges are cut


@dataclass(frozen=True)
class ToneSettings:
    """white, black : "found" (the paper, the ink), "keep", or the L* that shall become white or black.

    gamma : over 1 lightens the middle. edges : "soft" keeps the scan's own; "crisp" cuts ink from paper with edges one
    pixel wide; "hard" cuts without any gray, and shows stairs.
    """

    white: Annotated[
        str | float,
        Setting(
            "found, keep, or the lightness L* that becomes white.",
            unit="found|keep|L*",
            low=0,
            high=100,
            read=tone_word,
        ),
    ] = "found"
    black: Annotated[
        str | float,
        Setting(
            "found, keep, or the lightness L* that becomes black.",
            unit="found|keep|L*",
            low=0,
            high=100,
            read=tone_word,
        ),
    ] = "found"
    gamma: Annotated[float, Setting("Over 1: lighter middle.", low=0.1, high=10)] = 1.0
    edges: Annotated[
        str,
        Setting("soft: as scanned. crisp: black on white, edges a pixel wide. hard: no gray at all.", choices=EDGES),
    ] = "soft"


@dataclass(frozen=True)
class TonePoints:
    """Light relative to paper that becomes 1 and 0; gamma; edges as in ToneSettings.

    shoulder : 0, or the paper's grain, one sd: then bare paper alone goes white, and every wash keeps its difference.
    tint : of paper that keeps its color, each channel's light over the luminance; else empty, and paper is neutral.
    """

    white: float
    black: float
    gamma: float
    edges: str
    shoulder: float = 0.0
    tint: tuple[float, ...] = ()


def lightness(luminous: float) -> float:
    """CIE L* of a luminance 0..1. Reference: CIE 15:2004, 8.2.1."""
    share = luminous ** (1 / 3) if luminous > (6 / 29) ** 3 else luminous * (29 / 6) ** 2 / 3 + 4 / 29
    return float(116 * share - 16)


def luminance_of(star: float) -> float:
    """Luminance 0..1 of a CIE L*."""
    share = (star + 16) / 116
    return float(share**3 if share > 6 / 29 else 3 * (6 / 29) ** 2 * (share - 4 / 29))


def points(settings: ToneSettings, traits: InkTraits, paper: float, *, medium: str = "ink") -> TonePoints:
    """The points of a page whose paper has luminance `paper`.

    On pencil and paint, white is the paper itself and black stays where it is: stretched, washes and soft tones go.

    Raises
    ------
    BadSettings : unknown words, or black not darker than white.
    """
    if settings.edges not in EDGES:
        raise BadSettings(f"edges {settings.edges!r}", expected=", ".join(EDGES), attempt="--edges soft")
    ink = medium == "ink"
    grain = min(GRAIN_SDS * traits.grain, MOST_GRAIN) if ink else 0.0
    white = _point(settings.white, 1 - grain, 1 / max(paper, 1e-6), paper)
    solid = traits.black + INK_SDS * traits.ink_grain if traits.found and ink else 0.0
    black = _point(settings.black, solid, 0.0, paper)
    if not black < white or settings.gamma <= 0:
        raise BadSettings(
            f"black {settings.black}, white {settings.white}, gamma {settings.gamma}",
            expected="a black darker than the white, and gamma over 0",
            attempt="--black found --white found --gamma 1",
        )
    shoulder = 0.0 if ink or settings.white != "found" else max(traits.grain, LEAST_GRAIN)
    return TonePoints(white, black, settings.gamma, settings.edges, shoulder)


def shouldered(relative: Floats, grain: float, dpi: float) -> Floats:
    """(h, w, c) light relative to paper with the grain of bare paper lifted to 1, washes as they were.

    A place is bare where its mean over NEAR_MM is paper in every channel; there single pixels darker than the grain
    stay. The change from bare to wash is gradual. grain : one sd of a pixel.
    """
    sigma = NEAR_MM / MM_PER_INCH * dpi
    near = least_of(cv2.GaussianBlur(relative, (0, 0), sigma).reshape(relative.shape))[..., None]
    bare = np.clip((near - (1 - WASHED)) / (WASHED - BARE), 0, 1)
    bare = bare * bare * (3 - 2 * bare)
    missing = 1 - relative
    like_grain = np.clip((5 * grain - missing) / (2 * grain), 0, 1)
    return np.asarray(relative + bare * like_grain * np.maximum(missing, 0), np.float32)


def shoulder_halo(dpi: float) -> int:
    """px around a block that `shouldered` looks at."""
    return round(4 * NEAR_MM / MM_PER_INCH * dpi) + 2


def toned(relative: Floats, at: TonePoints) -> Floats:
    """(h, w, c) light 0..1 from light relative to paper; edges stay as they are."""
    if at.tint:
        relative = relative * np.asarray(at.tint, np.float32)
    light = np.clip((relative - np.float32(at.black)) / np.float32(at.white - at.black), 0, 1)
    return light if at.gamma == 1 else np.asarray(light ** np.float32(1 / at.gamma), np.float32)


def cut(light: Floats, edges: str, dpi: float) -> Floats:
    """(h, w, c) `toned` light as black ink on white paper, with edges as named; "soft" changes nothing.

    Every stroke is cut half way up to its own darkest place, so that strokes thinner than a pixel stay whole.
    """
    if edges == "soft":
        return light
    ink = np.asarray(1 - cv2.GaussianBlur(luminance(light), (0, 0), 0.5), np.float32)
    size = 2 * round(THIN_MM / MM_PER_INCH * dpi) + 1
    peak = cv2.dilate(ink, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    level = np.asarray(np.maximum(peak, FAINTEST) / 2, np.float32)
    cover = (ink > level).astype(np.float32) if edges == "hard" else _cover(ink, level)
    return np.repeat((1 - cover)[..., None], light.shape[2], axis=2).astype(np.float32)


def cut_halo(dpi: float) -> int:
    """px around a block that `cut` looks at."""
    return round(THIN_MM / MM_PER_INCH * dpi) + 4


def jaggedness(before: Floats, after: Floats) -> float:
    """px, one sd of how far edges of (h, w) ink `after` lie beside those of `before`, from place to place.

    Both are softened by 0.7 px first, as an eye does; only edges that go from paper to solid ink count.
    """
    kernel = np.ones((7, 7), np.uint8)
    full = (cv2.dilate(before, kernel) > 0.9) & (cv2.erode(before, kernel) < 0.1)
    first, steep = _beside(before)
    second, _ = _beside(after)
    edge = full & (np.abs(first) < 0.6) & (steep > 0.05)
    return float(np.std((second - first)[edge])) if edge.sum() > 50 else 0.0


def _beside(ink: Floats) -> tuple[Floats, Floats]:
    """px, how far each pixel lies inside the nearest half-way contour, and the slope per px there."""
    soft = cv2.GaussianBlur(ink, (0, 0), 0.7)
    slope = np.hypot(*(cv2.Sobel(soft, cv2.CV_32F, dx, 1 - dx, ksize=3, scale=1 / 8) for dx in (0, 1)))
    return np.asarray((soft - 0.5) / np.maximum(slope, 0.02), np.float32), np.asarray(slope, np.float32)


def _cover(ink: Floats, level: Floats) -> Floats:
    """Share of each pixel on the dark side of the place where ink passes `level`, from its distance to it."""
    gx = cv2.Sobel(ink, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(ink, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    slope = np.maximum(np.sqrt(gx * gx + gy * gy), 0.05 * np.maximum(level, 0.1))
    return np.asarray(np.clip(0.5 + (ink - level) / slope, 0, 1), np.float32)


def _point(wish: str | float, found: float, kept: float, paper: float) -> float:
    if wish == "found":
        return found
    if wish == "keep":
        return kept
    try:
        star = float(wish)
    except ValueError as error:
        raise BadSettings(
            f"the tone {wish!r}", expected="found, keep, or an L* from 0 to 100", attempt="found"
        ) from error
    return luminance_of(star) / max(paper, 1e-6)
