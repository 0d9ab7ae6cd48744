"""I find what is to go from under a page's ink: where its pencil of one hue lies, where its paper is stained.

In: a page, its white, settings. Out: an `Under`, and what is told of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated

import cv2
import numpy as np

from stitchbed.core.arrays import Floats
from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import MM_PER_INCH, point_mm
from stitchbed.core.settings import Setting
from stitchbed.imaging.box import Box, clipped, grown
from stitchbed.imaging.gray import least_of
from stitchbed.matching.robust import robust_spread
from stitchbed.page.ink import InkTraits
from stitchbed.page.page import Page, linear, luminance
from stitchbed.page.sheet.frame import Framing
from stitchbed.page.sheet.white import White, over_white
from stitchbed.page.underneath.cells import Cells, bridged, cells_of
from stitchbed.page.underneath.pencil import HUES, LEAST_SEEN, Pencil, hue_of, pencil_of, ratio, remaining
from stitchbed.page.underneath.stains import stains_of
from stitchbed.page.underneath.under import DEEP, EVEN_MM, EVEN_PX, Under, deep_at_rim, steadied, without

POINT_MM = 0.8  # round the point named: a hand points no finer
SURE_Q = (0.012, 0.03)  # of the ratio, mean of a cell: from no pencil to pencil
SPREAD_CELLS = 2  # pencil seen beside a line goes on under it
PAPER, EDGE = 0.93, (0.03, 0.5)  # of light, and of the way from ink to paper: where noise is measured
TINTS = (0.001, 0.1)  # least and most one sd of a channel that is believed
NEAR_CELLS = 10  # round those that show pencil; a hand's stroke goes on behind a black figure
MOST_PENCILS = 3  # of one hue on a page; each is learned from what the ones before left
MUCH = 0.1  # of the pencil's cells: so many left colored are another pencil
WIDE = 0.4  # of the page's cells; an under-drawing covers less
LEAST_SOLID = 50  # px of solid ink that tell its color
INK_HUE = 0.06  # of light by which an ink of the pencil's own hue is told


@dataclass(frozen=True)
class DropSettings:
    """color : "", "blue", "red", or "x,y" mm from the clean page's top left of a place where the pencil shows. stains :
    percent of the paper's light; stains that take more are evened by that much. Neither by default: a wash looks as
    a stain does, and blue may be drawn to stay.
    """

    color: Annotated[
        str,
        Setting(
            "Take off a pencil under the ink: blue, red, or mm from the clean page's top left of a place it shows.",
            option="drop",
            unit="blue|red|X,Y",
        ),
    ] = ""
    stains: Annotated[
        float,
        Setting("Even out warm stains in the paper that take up to so much of its light.", unit="%", low=0, high=80),
    ] = 0.0

    @property
    def any(self) -> bool:
        """True when something is to go."""
        return bool(self.color or self.stains)


@dataclass(frozen=True)
class Told:
    """pencils : those dropped. pencil_share, stain_share : of the page's cells. strongest_stain : share of light it
    takes.
    """

    pencils: tuple[Pencil, ...] = ()
    pencil_share: float = 0.0
    stain_share: float = 0.0
    strongest_stain: float = 0.0


def wish_of(settings: DropSettings) -> str | tuple[float, float]:
    """A name in HUES, or the place (x, y) mm named.

    Raises
    ------
    BadSettings : neither.
    """
    if settings.color in HUES:
        return settings.color
    try:
        return point_mm(settings.color)
    except ValueError as error:
        raise BadSettings(
            f"the color {settings.color!r} to drop",
            expected="blue, red, or a place x,y in mm from the clean page's top left where the pencil shows",
            attempt="--drop blue, or --drop 20,35.5",
        ) from error


def hue_at(page: Page, white: White, frame: Framing, place: tuple[float, float]) -> float:
    """Hue (degrees, `hue_of`) of what is most colored round a place (x, y) mm of the clean page.

    Raises
    ------
    BadSettings : the place is off the page, or has no color.
    """
    x, y = (value / MM_PER_INCH * page.dpi - 0.5 for value in place)
    u, v, _ = frame.page_from_out @ (x, y, 1.0)
    reach = max(1, round(POINT_MM / MM_PER_INCH * page.dpi))
    box = clipped(grown(Box(round(v), round(u), 1, 1), reach), page.box)
    if not box.empty:
        light = cv2.GaussianBlur(over_white(linear(page, box), white, box), (0, 0), 0.8)
        hue, chroma = hue_of(light)
        most = chroma >= np.percentile(chroma, 90)
        if float(chroma[most].mean()) > 0.04:
            turn = np.exp(1j * np.radians(hue[most].astype(np.float64))) * chroma[most]
            return float(np.degrees(np.angle(turn.sum())))
    raise BadSettings(
        f"the place {place[0]:g},{place[1]:g} mm to drop a color from",
        expected="a place on the clean page that shows the pencil's color",
        attempt="another place, read off the clean page, or --drop blue",
    )


def under_of(
    page: Page, white: White, area: Box, settings: DropSettings, traits: InkTraits,
    *, samples: Sequence[Floats], hue: str | float, workers: int = 1,
) -> tuple[Under, Told]:  # fmt: skip
    """What lies under the ink of the part `area` of a page.

    samples : (h, w, 3) windows of light relative to paper that show ink and color. hue : as for `pencil_of`, or "".
    """
    solid = solid_ink(samples, traits)
    ink = ink_color(solid, traits)
    even = max(EVEN_PX, EVEN_MM / MM_PER_INCH * page.dpi)
    at_rim = deep_at_rim(ink_spread(solid, ink))
    bare = Under(ink, area.row, area.col, 1, noise=traits.grain, even=even, at_rim=at_rim)
    pencils = _pencils(samples, bare, hue) if hue != "" else ()
    if pencils:
        bare = replace(bare, tint=_tint(samples, bare, pencils[0]))
    cells = cells_of(page, white, area, ink, pencils, workers=workers)
    stains, strongest = stains_of(cells, settings.stains / 100) if settings.stains else (None, 0.0)
    present = _present(cells) if pencils else None
    told = Told(
        pencils,
        float((present > 0.5).mean()) if present is not None else 0.0,
        float((stains.min(axis=2) < 0.985).mean()) if stains is not None else 0.0,
        strongest,
    )
    near = cv2.dilate(present, np.ones((2 * NEAR_CELLS + 1,) * 2))[..., None] if present is not None else None
    return replace(bare, cell=cells.cell, pencils=pencils, present=present, near=near, stains=stains), told


def _pencils(samples: Sequence[Floats], bare: Under, hue: str | float) -> tuple[Pencil, ...]:
    """One pencil, or several of the hue: each next one is learned from what those before leave colored."""
    found: tuple[Pencil, ...] = ()
    ink = bare.ink
    for _ in range(MOST_PENCILS):
        under = replace(bare, pencils=found)
        left = [ink + without(remaining(s, ink), under) * (1 - ink) for s in samples] if found else samples
        pencil = pencil_of(left, ink, hue)
        if pencil is None or (found and pencil.seen < MUCH * found[0].seen):
            break
        found = (*found, pencil)
    return found


def _tint(samples: Sequence[Floats], bare: Under, pencil: Pencil) -> float:
    """One sd of a channel against another: on paper, or on edges without pencil, where fringes or a JPEG add to it."""
    paper, edges = [np.zeros(0, np.float32)], [np.zeros(0, np.float32)]
    for light in samples:
        share = remaining(light, bare.ink)
        q, least = ratio(share, pencil), share[..., pencil.channels[2]]
        shown = cv2.erode(steadied(share, pencil, replace(bare, even=3 * bare.even))[0], np.ones((9, 9), np.uint8))
        paper.append(q[least_of(light) > PAPER])
        side = (shown > -SURE_Q[1]) & (least > EDGE[0]) & (least < EDGE[1])
        edges.append(q[side] * np.sqrt(least[side]))
    spreads = [robust_spread(q) / np.sqrt(2) for q in map(np.concatenate, (paper, edges)) if len(q) >= LEAST_SEEN]
    return float(np.clip(max(spreads, default=bare.tint), *TINTS))


def _present(cells: Cells) -> Floats:
    """(gh, gw, 1) 0..1 where cells show any of the pencils, grown by SPREAD_CELLS so that it goes on under lines."""
    q = bridged(cells.q, cells.weight, 0.8).min(axis=2)
    low, high = SURE_Q
    sure = np.clip((-q - low) / (high - low), 0, 1).astype(np.float32)
    side = 2 * SPREAD_CELLS + 1
    return np.asarray(cv2.dilate(sure, np.ones((side, side), np.uint8))[..., None])


def ink_color(solid: Floats, traits: InkTraits) -> Floats:
    """(3,) light of solid ink (n, 3) relative to paper; black where the page shows none."""
    if not traits.found:
        return np.zeros(3, np.float32)
    return np.asarray(np.median(solid, axis=0) if len(solid) > LEAST_SOLID else np.full(3, traits.black), np.float32)


def ink_spread(solid: Floats, ink: Floats) -> float:
    """One sd of solid ink (n, 3), of the way from `ink` to paper; DEEP, which believes nothing, where too little
    shows."""
    return robust_spread(remaining(solid, ink).max(axis=1)) if len(solid) > LEAST_SOLID else DEEP


def solid_ink(samples: Sequence[Floats], traits: InkTraits) -> Floats:
    """(n, 3) pixels about as dark as the page's ink; none where it shows none."""
    if not traits.found:
        return np.zeros((0, 3), np.float32)
    pixels = np.concatenate([s.reshape(-1, 3) for s in samples])
    return np.asarray(pixels[np.abs(luminance(pixels[None])[0] - traits.black) < 0.02], np.float32)


def busiest(under: Under) -> tuple[float, float] | None:
    """(x, y) px of the page where most is taken off, None where nothing is."""
    taken = np.zeros((1, 1), np.float32)
    if under.stains is not None:
        taken = 1 - under.stains.mean(axis=2)
    if under.present is not None:
        taken = taken + under.present[..., 0]
    if not taken.any():
        return None
    near = cv2.blur(taken, (31, 31), borderType=cv2.BORDER_CONSTANT)
    row, col = np.unravel_index(int(np.argmax(near)), near.shape)
    return under.col + (float(col) + 0.5) * under.cell, under.row + (float(row) + 0.5) * under.cell


def drop_warnings(settings: DropSettings, told: Told, under: Under, medium: str) -> list[str]:
    """What a person must know of what was dropped, or was not."""
    said = []
    if settings.color and not told.pencils:
        said.append(f"no pencil was found for --drop {settings.color}; nothing of that color was taken off")
    if told.pencils and told.pencil_share > WIDE:
        said.append(f"the color dropped covers {told.pencil_share:.0%} of the page: look whether more than pencil went")
    most, least = (under.ink[told.pencils[0].channels[n]] for n in (0, 2)) if told.pencils else (0.0, 0.0)
    if least - most > INK_HUE:
        said.append("the ink itself has the color that was dropped: its strokes may have lost their edges")
    if settings.stains and told.strongest_stain > settings.stains / 100:
        said.append(
            f"a stain takes {told.strongest_stain:.0%} of the paper's light; of that {settings.stains:g} % was evened"
        )
    if settings.stains and medium == "paint":
        said.append("it looks like paint: pale brown and yellow washes were evened as stains are")
    return said
