"""I learn one hue of pencil from a page: what each strength of it leaves of the light of the three channels.

In: sample windows of light relative to paper, the color of the ink. Out: a `Pencil`, or None where none of that hue is
seen.

Ink is gray: it takes the same share of every channel's light. So the ratio of the channel the pencil darkens most to
the one it darkens least tells how much pencil a pixel shows, whatever ink lies over it. A pencil is the curve of the
other channels over that ratio.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats
from stitchbed.imaging.gray import most_of
from stitchbed.matching.robust import robust_spread

# degrees of the absorbed light (`hue_of`): 0 takes red alone, 60 red and green, 180 green and blue, 240 blue alone
HUES = {"blue": (-12.0, 82.0), "red": (122.0, 212.0)}
REACH = 20.0  # degrees round the hue most of the pencil has; one pencil's own spread in pale strokes
LEAST_CHROMA = 0.05  # of density; the paper's and the scanner's own stay below, common practice, no source
NOISES = 5.0  # of the paper's chroma, one sd
LIGHT = 0.4  # of the paper's light in its lightest channel; darker pixels show ink
LEAST_SEEN = 150  # px before a pencil is believed
TOP, STRAY = 0.04, 0.06  # of density below the curve: from there on a pixel shows ink or graphite too
ROUNDS = 12


@dataclass(frozen=True)
class Pencil:
    """channels : of the most, middle and least darkened one. middle, least : (2,) terms of their density over q and q
    squared, q being the log of the ratio of the most to the least darkened. deepest : the least q seen.

    hue : degrees, see `hue_of`. color : (3,) light relative to paper of a firm stroke. seen : px it was learned from.
    rough : of the light, one sd by which its pixels stray from the curve.
    """

    channels: tuple[int, int, int]
    middle: Array
    least: Array
    deepest: float
    hue: float
    color: Array
    seen: int
    rough: float = 0.0


def hue_of(light: Floats) -> tuple[Floats, Floats]:
    """(...) degrees -180..180 and density of the color that (..., 3) light relative to paper lacks."""
    density = -np.log(np.clip(light, 0.02, None))
    red, green, blue = (density[..., c] for c in range(3))
    across, up = (2 * red - green - blue) / np.sqrt(6), (green - blue) / np.sqrt(2)
    return np.degrees(np.arctan2(up, across)).astype(np.float32), np.hypot(across, up).astype(np.float32)


def sector(wish: str | float) -> tuple[float, float]:
    """Lowest and highest degrees of a hue by name, or round one."""
    return HUES[wish] if isinstance(wish, str) else (wish - 1.5 * REACH, wish + 1.5 * REACH)


def apart(hue: Floats, center: float) -> Floats:
    """(...) degrees 0..180 between hues and `center`."""
    return np.asarray(np.abs((hue - center + 180) % 360 - 180), np.float32)


def pencil_of(samples: Sequence[Floats], ink: Floats, wish: str | float) -> Pencil | None:
    """The pencil in (h, w, 3) windows. wish : a name in HUES, or degrees of a hue."""
    pixels = _clear(samples)
    hue, chroma = hue_of(pixels)
    least = max(LEAST_CHROMA, NOISES * _noise(pixels))
    low, high = sector(wish)
    wanted = (apart(hue, (low + high) / 2) <= (high - low) / 2) & (chroma > least)
    if wanted.sum() < LEAST_SEEN:
        return None
    center = _most(hue[wanted], chroma[wanted])
    mine = (apart(hue, center) <= REACH) & (chroma > least)
    if mine.sum() < LEAST_SEEN:
        return None
    return _fitted(pixels[mine], ink, center)


def remaining(light: Floats, ink: Floats) -> Floats:
    """(..., 3) share 0..1 of the way from solid ink (0) to paper (1), channel by channel."""
    return np.asarray((light - ink) / (1 - ink), np.float32)


def ratio(share: Floats, pencil: Pencil) -> Floats:
    """(...) q of (..., 3) `remaining`: 0 without pencil, negative with it."""
    most, _, least = pencil.channels
    low = np.float32(1e-3)
    return np.asarray(np.log(np.maximum(share[..., most], low) / np.maximum(share[..., least], low)), np.float32)


def left_by(pencil: Pencil, q: Floats) -> Floats:
    """(..., 3) share of the light that pencil of ratio `q` leaves."""
    most, middle, least = pencil.channels
    light = np.empty((*q.shape, 3), np.float32)
    for channel, terms in ((middle, pencil.middle), (least, pencil.least)):
        light[..., channel] = np.exp(np.minimum(terms[0] * q + terms[1] * q * q, 0))
    light[..., most] = np.exp(q) * light[..., least]
    return light


def _clear(samples: Sequence[Floats]) -> Floats:
    """(n, 3) pixels without ink in or beside them."""
    found = [np.zeros((0, 3), np.float32)]
    for light in samples:
        top = most_of(light)
        found.append(light[cv2.erode(top, np.ones((5, 5), np.uint8)) > LIGHT])
    return np.concatenate(found)


def _noise(pixels: Floats) -> float:
    """One sd of the chroma of bare paper along one axis."""
    bare = pixels[pixels.min(axis=1) > 0.93]
    if len(bare) < LEAST_SEEN:
        return 0.0
    tinge = -np.log(bare[:, 0] / np.maximum(bare[:, 2], 1e-3))
    return float(robust_spread(tinge) / np.sqrt(2))


def _most(hue: Floats, weight: Floats) -> float:
    """The hue with most color within REACH / 2 of it."""
    places = np.arange(-180, 180, 3.0)
    sums = [float(weight[apart(hue, place) < REACH / 2].sum()) for place in places]
    off = (hue - places[int(np.argmax(sums))] + 180) % 360 - 180
    near = np.abs(off) < REACH / 2
    return float(places[int(np.argmax(sums))] + np.average(off[near], weights=weight[near]))


def _fitted(pixels: Floats, ink: Floats, hue: float) -> Pencil:
    density = -np.log(np.clip(pixels, 0.02, None)).mean(axis=0)
    most, middle, least = (int(c) for c in np.argsort(-density))
    share = np.clip(remaining(pixels, ink), 1e-3, None)
    q = np.log(share[:, most] / share[:, least]).astype(np.float64)
    logs = np.log(share).astype(np.float64)
    least_terms, weight = _upper(q, logs[:, least])
    middle_terms = _solved(q, logs[:, middle], weight)
    off = logs[:, least] - (least_terms[0] * q + least_terms[1] * q * q)
    rough = float(np.sqrt(np.mean(off[off > 0] ** 2))) if (off > 0).any() else 0.0
    made = Pencil(
        (most, middle, least), middle_terms, least_terms, float(np.percentile(q, 0.5)), hue, np.ones(3), len(q), rough
    )
    firm = left_by(made, np.array([np.percentile(q, 10)], np.float32))[0]
    return replace(made, color=firm.astype(np.float64))


def _upper(q: Array, value: Array) -> tuple[Array, Array]:
    """(2,) terms of a curve along the upper side of `value` over q, and the weights it was fitted with.

    Pixels below it show ink or graphite as well.
    """
    weight = np.ones(len(q))
    terms = np.zeros(2)
    for turn in range(ROUNDS):
        terms = _solved(q, value, weight)
        off = value - (terms[0] * q + terms[1] * q * q)
        level = float(np.percentile(off, 60)) if turn < 3 else 0.0
        below = np.maximum(level - TOP - off, 0)
        weight = np.exp(-((below / STRAY) ** 2))
    return terms, weight


def _solved(q: Array, value: Array, weight: Array) -> Array:
    """(2,) terms of q and q squared; the second is held small where few strengths are seen."""
    basis = np.stack([q, q * q], axis=1)
    normal = basis.T @ (basis * weight[:, None]) + np.diag([1e-6, 1e-3]) * weight.sum()
    return np.asarray(np.linalg.solve(normal, basis.T @ (value * weight)))
