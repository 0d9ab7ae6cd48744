"""I find everything on an ink page that could be dust, and measure it; judging is done elsewhere.

In: the amount of ink 0..1 in a window. Out: a `Finds` table with the pixels of each find.

Four looks: small dark things standing alone, grays that black ink on white paper cannot explain, holes in solid ink,
and marks as long and thin as fibers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from stitchbed.core.arrays import Floats, Labels, Mask
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import mean_of
from stitchbed.page.dust.fibers import STROKE, thin_marks
from stitchbed.page.dust.finds import ALONE, FIBER, GRAY, HOLE, Finds, joined
from stitchbed.page.dust.spread import SPREAD
from stitchbed.page.ink import InkTraits, components, grown, short, softened, softening, unbroken, unexplained

KIN_MM, PALE = 1.0, 0.62  # within this far strokes are kin when they are no darker than that share of full ink
BARE_MM = 2.0  # the neighborhood that tells whether a find stands by itself
RING_MM = 0.2  # solid ink wanted round a hole: more than half a usual pen, so that the inside of a small "o" stays
SOLID = 0.88  # of full ink; lighter places within solid ink are holes
LARGE = 40  # times the square of the longest side of dust: paper shut in by lines, which would be listed px by px
FAINT_SHARE = 0.6  # of the faintest mark: so pale a hair still hangs together
FAINTEST = 5.0  # of the paper's noise; a sheet of 10 million px then shows about none by chance


@dataclass(frozen=True)
class Scale:
    """px_per_mm of the picture looked at; largest : mm, the longest side of what may be dust."""

    px_per_mm: float
    largest: float

    @property
    def length(self) -> int:
        """Odd px: strokes longer than this in some direction are strokes."""
        return round(1.1 * self.largest * self.px_per_mm) | 1

    @property
    def halo(self) -> int:
        """px around a block within which everything that decides about a find in it lies."""
        return round((3 * self.largest + max(2 * RING_MM, BARE_MM)) * self.px_per_mm) + 12


@dataclass(frozen=True)
class Look:
    """The pictures all three looks share: ink (h, w, c); soft, strokes, odd, between (h, w); blur px of `soft`.

    between : ink on both sides in every direction, less the place's own.
    """

    ink: Floats
    soft: Floats
    strokes: Floats
    odd: Floats
    between: Floats
    blur: float
    scale: Scale


def finds_in(ink: Floats, traits: InkTraits, scale: Scale, core: Box) -> Finds:
    """All candidates in an (h, w, c) window of ink per channel (the mean over channels is looked at).

    core : only those whose first pixel in reading order lies in this box of the window, so that each belongs to one.
    """
    mean = mean_of(ink) - np.float32(traits.level)
    soft = softened(mean, scale.px_per_mm)
    blur = float(np.hypot(traits.blur, softening(scale.px_per_mm)))
    strokes = unbroken(soft, scale.length)
    between = 1 - unbroken(1 - soft, scale.length, every=True) - soft
    look = Look(ink, soft, strokes, unexplained(soft, blur), between, blur, scale)
    faintest = max(0.04, FAINTEST * traits.noise)
    alone = components((soft - look.strokes > faintest) & (soft > 0))  # a gap between light strokes is no mark
    alone = grown(alone, int(np.ceil(2.2 * blur)), (look.strokes > faintest) & (alone == 0))
    first = _measured(ALONE, _chosen(alone, _begun_in(alone, core)), mean, soft, look)
    first = replace(first, kin=_kin(first, look, faintest), bare=_bare(first, look, faintest))
    compact = _compact(look)
    second = _measured(GRAY, _chosen(compact, _begun_in(compact, core)), look.odd, look.odd, look)
    second = replace(second, kin=_kin(second, look, faintest), shut=_shut(second, look))
    holes, far = _holes(look)
    mine = _begun_in(holes, core)
    third = _measured(HOLE, _chosen(holes, mine), 1 - mean, 1 - soft, look)
    third = replace(third, alone=far[np.flatnonzero(mine)].astype(np.float32))
    return joined([first, _hosted(second, alone, mean, look), third, _fibers(mean, traits.blur, look, faintest, core)])


def _fibers(mean: Floats, blur: float, look: Look, faintest: float, core: Box) -> Finds:
    """The long thin marks, with what they look like as strokes."""
    thin = thin_marks(mean, look.soft, FAINT_SHARE * faintest, px_per_mm=look.scale.px_per_mm, blur=blur, core=core)
    found = _measured(FIBER, thin.labels, mean, look.soft, look)
    found = replace(found, stroke=thin.strokes)
    return replace(found, kin=_kin(found, look, faintest)) if len(found.kind) else found


def _begun_in(labels: Labels, core: Box) -> Mask:
    """(n + 1,) which labels have their first pixel in reading order in a box; 0 never."""
    flat = labels.ravel()
    at = np.flatnonzero(flat != 0)[::-1]
    first = np.full(int(labels.max()) + 1, -1)
    first[flat[at]] = at  # the last one written is the first in reading order
    rows, cols = np.divmod(first, labels.shape[1])
    inside = (rows >= core.row) & (rows < core.bottom) & (cols >= core.col) & (cols < core.right)
    return np.asarray(inside & (first >= 0))


def _chosen(labels: Labels, keep: Mask) -> Labels:
    """The labels where (n + 1,) `keep` is true, numbered anew in the same order; each must be there."""
    number = np.where(keep, np.cumsum(keep), 0).astype(np.int32)
    return np.asarray(number[labels])


def _compact(look: Look) -> Labels:
    """Labels of unexplained grays that are not drawn out along a line: edges a little off are, dust is not.

    A stroke's pale tip is as dark as its stroke there, and lies between nothing darker; dust is darker than the stroke
    beside it, or lies with ink on both sides.
    """
    darker = look.soft - look.strokes
    compact = look.odd - unbroken(look.odd, look.scale.length)
    seeds = components((compact > 0.2) & (np.maximum(darker, look.between) > 0.1))
    body = cv2.morphologyEx((look.odd > 0.1).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    whole = grown(seeds, round(0.12 * look.scale.px_per_mm), body == 0)
    return grown(whole, int(np.ceil(1.1 * look.blur)), np.zeros(body.shape, bool))


def _kin(finds: Finds, look: Look, faintest: float) -> Floats:
    """(n,) mm of the middles of pale strokes within KIN_MM of each find, its own left out; of those about as dark."""
    ridge = (look.soft > faintest) & (look.soft < PALE)
    ridge &= look.soft >= cv2.dilate(look.soft, np.ones((3, 3), np.uint8)) - 0.02
    reach = round(KIN_MM * look.scale.px_per_mm)
    own = np.bincount(finds.owner, ridge[finds.rows, finds.cols], len(finds.kind))
    box = (2 * reach + 1, 2 * reach + 1)
    count = cv2.blur(ridge.astype(np.float32), box, borderType=cv2.BORDER_CONSTANT) * box[0] ** 2
    level = (
        cv2.blur(np.where(ridge, look.soft, 0).astype(np.float32), box, borderType=cv2.BORDER_CONSTANT) * box[0] ** 2
    )
    rows, cols = np.rint(finds.row).astype(int), np.rint(finds.col).astype(int)
    others = count[rows, cols] - own
    peak = _largest(look.soft[finds.rows, finds.cols], finds.owner, len(finds.kind))
    darkness = (level[rows, cols] - own * peak) / np.maximum(others, 1e-3) / np.maximum(peak, 1e-3)
    alike = (darkness > 0.4) & (darkness < 2)
    return np.asarray(np.where(alike, others, 0) / look.scale.px_per_mm, np.float32)


def _bare(finds: Finds, look: Look, faintest: float) -> Floats:
    """(n,) share of what lies within BARE_MM of each find that shows no ink; the find's own pixels count as bare."""
    marked = look.soft > faintest / 2
    side = 2 * round(BARE_MM * look.scale.px_per_mm) + 1
    count = cv2.blur(marked.astype(np.float32), (side, side), borderType=cv2.BORDER_CONSTANT) * side**2
    own = np.bincount(finds.owner, marked[finds.rows, finds.cols], len(finds.kind))
    rows, cols = np.rint(finds.row).astype(int), np.rint(finds.col).astype(int)
    return np.asarray(1 - (count[rows, cols] - own) / side**2, np.float32)


def _shut(finds: Finds, look: Look) -> Floats:
    """(n,) largest excess of the ink all round a place over what tells it as dark beside a stroke."""
    excess = look.between - np.maximum(look.soft - look.strokes, 0)
    return _largest(excess[finds.rows, finds.cols], finds.owner, len(finds.kind))


def _holes(look: Look) -> tuple[Labels, Mask]:
    """Labels of small light things in ink, and (n + 1,) which of them have only solid ink within RING_MM."""
    labels = components(look.soft < SOLID)
    close = _crowded(labels, 2)
    far = _crowded(labels, round(RING_MM * look.scale.px_per_mm))
    paper = np.bincount(labels.ravel()) > LARGE * (look.scale.largest * look.scale.px_per_mm) ** 2
    holes = grown(
        np.where((close | paper)[labels], 0, labels), int(np.ceil(1.5 * look.blur)), np.zeros(labels.shape, bool)
    )
    return holes, ~far


def _crowded(labels: Labels, reach: int) -> Mask:
    """(n + 1,) true for labels that come within `reach` px of another one."""
    count = int(labels.max()) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    turned = np.where(labels > 0, count - labels, 0)
    highest, lowest = (cv2.dilate(names, disc) != names for names in (short(labels), short(turned)))
    crowded = (labels > 0) & (highest | lowest)
    return np.bincount(labels[crowded], minlength=count) > 0


def _measured(kind: int, labels: Labels, mass: Floats, height: Floats, look: Look) -> Finds:
    """One row per label, 1 .. n: `mass` is summed, `height` gives the peak."""
    rows, cols = np.divmod(np.flatnonzero(labels != 0), labels.shape[1])
    owner, n = labels[rows, cols].astype(np.int64) - 1, int(labels.max())
    weight = np.maximum(mass[rows, cols], 0)
    whole = np.maximum(np.bincount(owner, weight, n), 1e-6)
    peak = _largest(height[rows, cols], owner, n)
    body = height[rows, cols] >= peak[owner] / 2
    size = np.sqrt(4 * whole / np.pi)
    length = _length(rows, cols, np.where(body, weight, 0), owner, n)
    alone = _largest(height[rows, cols] - look.strokes[rows, cols], owner, n) / np.maximum(peak, 1e-3)
    floats = {
        "row": np.bincount(owner, weight * rows, n) / whole,
        "col": np.bincount(owner, weight * cols, n) / whole,
        "size": size / look.scale.px_per_mm,
        "peak": peak,
        "shape": peak / _solid_peak(size, length, look.blur),
        "alone": alone,
        "gray": np.bincount(owner, look.odd[rows, cols], n) / look.blur**2,
        "extent": np.maximum(*(_span(p[body], owner[body], n) for p in (rows, cols))) / look.scale.px_per_mm,
        "hue": _hue(look.ink[rows, cols], owner, n),
        "host": np.zeros(n),
        "kin": np.zeros(n),
        "bare": np.zeros(n),
        "shut": np.zeros(n),
        "dark": np.ones(n),
        "gain": np.zeros(n),
        "width": size / look.scale.px_per_mm,
        "beside": np.zeros(n),
        "spread": np.zeros((n, len(SPREAD))),
        "stroke": np.zeros((n, len(STROKE))),
    }
    columns: dict[str, Any] = {key: np.asarray(value, np.float32) for key, value in floats.items()}
    places = {"owner": owner, "rows": rows, "cols": cols}
    columns |= {key: np.asarray(value, np.int32) for key, value in places.items()}
    return Finds(kind=np.full(n, kind, np.int8), **columns)


def _solid_peak(size: NDArray[np.float64], length: NDArray[np.float64], blur: float) -> NDArray[np.float64]:
    """(n,) peak of solid ink through a Gaussian of `blur` px: of a disc of diameter `size`, or, where the find is long,
    of a stroke of the same area and of that length."""
    disc = 1 - np.exp(-(size**2) / (8 * blur**2))
    width = np.pi / 4 * size**2 / np.maximum(length, 1e-6)
    stroke = erf(width / (np.sqrt(8) * blur)) * erf(length / (np.sqrt(8) * blur))
    return np.asarray(np.maximum(np.where(length > 1.5 * size, np.minimum(disc, stroke), disc), 1e-3))


def _length(rows: NDArray[Any], cols: NDArray[Any], weight: Floats, owner: NDArray[Any], n: int) -> NDArray[np.float64]:
    """(n,) px, length of the bar whose second moment along its long axis is that of the find."""
    whole = np.maximum(np.bincount(owner, weight, n), 1e-6)
    y = rows - (np.bincount(owner, weight * rows, n) / whole)[owner]
    x = cols - (np.bincount(owner, weight * cols, n) / whole)[owner]
    yy, xx, xy = (np.bincount(owner, weight * m, n) / whole for m in (y * y, x * x, x * y))
    largest = (yy + xx) / 2 + np.sqrt(((yy - xx) / 2) ** 2 + xy**2)
    return np.asarray(np.sqrt(12 * largest))


def _hosted(grays: Finds, alone: Labels, mass: Floats, look: Look) -> Finds:
    """The gray finds with the shape of the small lone find each lies in. alone : labels of all lone finds; `mass` as
    for `_measured`."""
    here = np.bincount(alone[grays.rows, grays.cols], minlength=int(alone.max()) + 1) > 0
    here[0] = False
    hosts = _measured(ALONE, _chosen(alone, here), mass, look.soft, look)
    small = (hosts.alone > 0.6) & (hosts.extent <= look.scale.largest)
    shapes = np.zeros(len(here), np.float32)
    shapes[here] = np.where(small, hosts.shape, 0)
    return replace(grays, host=_largest(shapes[alone[grays.rows, grays.cols]], grays.owner, len(grays.kind)))


def _hue(ink: Floats, owner: NDArray[np.int64], n: int) -> NDArray[np.float64]:
    """How unequal the channels absorb, 0..1, summed over each find."""
    sums = np.stack([np.bincount(owner, np.maximum(ink[:, c], 0), n) for c in range(ink.shape[1])])
    return np.asarray((sums.max(axis=0) - sums.min(axis=0)) / np.maximum(sums.max(axis=0), 1e-6))


def _largest(values: Floats, owner: NDArray[Any], n: int) -> Floats:
    best = np.zeros(n, np.float32)
    np.maximum.at(best, owner, values)
    return best


def _span(places: NDArray[np.int64], owner: NDArray[np.int64], n: int) -> NDArray[np.int64]:
    low, high = np.full(n, np.iinfo(np.int64).max), np.full(n, -1)
    np.minimum.at(low, owner, places)
    np.maximum.at(high, owner, places)
    return np.asarray(high - low + 1)
